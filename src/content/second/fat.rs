//! FAT12, FAT16 and FAT32, by the crate `fatfs`, which finds files by path: its tree is walked once, and what is wanted
//! is read when it is met.

use std::collections::{HashMap, HashSet};
use std::sync::Arc;

use fatfs::{Dir, FileSystem, FsOptions, OemCpConverter};
use sha2::{Digest, Sha256};

use super::Limit;
use super::book::{Answer, Book};
use super::questions::{BUDGET_ON_THE_WAY, PIECE, budget_of_file, failed, run};
use crate::bytes::to_u64;
use crate::catalog::{Attribute, Catalog, MAX_DEPTH, NameId};
use crate::error::Result;
use crate::filesystem::CodePage;
use crate::progress::Progress;
use crate::source::fence::session::{Desk, SessionReader};

/// A path as a number: the first half of the SHA-256 of its names, so that a million wanted paths take little room. Two
/// paths with one number would be a collision of 128 bits, and end in a difference that is reported.
type PathHash = [u8; 16];

const ROOT: PathHash = [0; 16];

/// Case does not count in FAT's names, and the crate makes only ASCII letters of a short name small where its flags say
/// so.
fn below(folder: &PathHash, name: &str) -> PathHash {
    let mut hash = Sha256::new().chain_update(folder);
    for character in name.chars() {
        let mut upper = character.to_uppercase();
        let single = upper.next().filter(|_| upper.next().is_none()).unwrap_or(character);
        hash.update(single.encode_utf8(&mut [0; 4]));
    }
    let digest = hash.finalize();
    let mut hash = ROOT;
    for (to, from) in hash.iter_mut().zip(digest) {
        *to = from;
    }
    hash
}

/// Short names in the code page that is taken where none is named. In another, a name that is not ASCII is not found by
/// its path, which is a limit and no difference.
#[derive(Debug)]
struct DefaultPage;

impl OemCpConverter for DefaultPage {
    fn decode(&self, byte: u8) -> char {
        CodePage::default().decode(&[byte]).chars().next().unwrap_or(char::REPLACEMENT_CHARACTER)
    }

    fn encode(&self, _: char) -> Option<u8> {
        None
    }
}

/// The form in which the crate gives long names: what is no text is U+FFFD.
fn as_text(units: &[u16]) -> String {
    String::from_utf16_lossy(units)
}

#[derive(Debug, Clone)]
struct Question {
    path: PathHash,
    size: u64,
    /// What a short name means that is not ASCII depends on a code page.
    ascii: bool,
}

/// Asks about files in the order in which the tree gives them.
pub(super) fn ask(book: &mut Book<'_>, progress: &dyn Progress) -> Result<()> {
    let catalog = book.catalog;
    let mut ways = HashSet::from([ROOT]);
    let (mut questions, mut without_folder) = (Vec::new(), Vec::new());
    for (index, object, size) in book.open() {
        let line: Vec<NameId> = catalog.names_of(object).next().map(|name| catalog.line(name)).unwrap_or_default();
        if line.is_empty() || is_without_folder(catalog, &line) {
            without_folder.push(index);
            continue;
        }
        let (mut path, mut ascii) = (ROOT, true);
        for name in line {
            ways.insert(path);
            let text = as_text(&catalog.name(name).units());
            ascii &= text.is_ascii();
            path = below(&path, &text);
        }
        questions.push((index, Question { path, size, ascii }));
    }
    for index in without_folder {
        book.note(index, Answer::Limit(Limit::FolderUnknown));
    }
    let ways = Arc::new(ways);
    run(book, questions, progress, move |desk, questions| answer_all(desk, questions, &ways))
}

/// Whether a folder on an object's way was only made up by us.
fn is_without_folder(catalog: &Catalog, line: &[NameId]) -> bool {
    line.iter().any(|name| catalog.object(catalog.named_object(*name)).attributes.contains(Attribute::Virtual))
}

/// A file that is wanted, while the tree is walked.
struct Wanted {
    index: usize,
    size: u64,
    met: bool,
}

fn answer_all(desk: &Desk<Answer>, questions: Vec<(usize, Question)>, ways: &HashSet<PathHash>) {
    desk.begin(None, BUDGET_ON_THE_WAY);
    let reader = desk.reader();
    let options = FsOptions::new().oem_cp_converter(&DefaultPage);
    let opened = desk.guarded(|| FileSystem::new(reader, options).map_err(|error| error.to_string()));
    let Ok(Ok(volume)) = opened else {
        let limit = if desk.met_hole() { Limit::HoleOnItsWay } else { Limit::VolumeRefused };
        return questions.iter().for_each(|(index, _)| desk.answer(*index, Answer::Limit(limit)));
    };
    let ascii: Vec<(usize, PathHash, bool)> =
        questions.iter().map(|(index, question)| (*index, question.path, question.ascii)).collect();
    let mut walk = Walk {
        desk,
        wanted: questions
            .into_iter()
            .map(|(index, question)| (question.path, Wanted { index, size: question.size, met: false }))
            .collect(),
        ways,
        entered: HashSet::new(),
        trouble: None,
        buffer: vec![0; PIECE],
    };
    match desk.guarded(|| volume.root_dir()) {
        Ok(root) => walk.folders(root),
        Err(panic) => walk.trouble = Some(failed(desk, &format!("it panicked ({panic})"), None)),
    }
    let trouble = walk.trouble.take();
    for (index, path, ascii) in ascii {
        match walk.wanted.get(&path) {
            Some(wanted) if wanted.index != index => desk.answer(index, Answer::Limit(Limit::Name)),
            Some(wanted) if wanted.met => {}
            // A folder that could not be read to its end may have held it.
            _ => {
                let limit = (!ascii).then_some(Limit::Name);
                desk.answer(index, trouble.clone().unwrap_or(Answer::NotFound { limit }));
            }
        }
    }
}

struct Walk<'w> {
    desk: &'w Desk<Answer>,
    wanted: HashMap<PathHash, Wanted>,
    /// Folders on the way to what is wanted.
    ways: &'w HashSet<PathHash>,
    entered: HashSet<PathHash>,
    /// The first failure on the way.
    trouble: Option<Answer>,
    buffer: Vec<u8>,
}

type Folder<'f> = Dir<'f, SessionReader>;

impl Walk<'_> {
    /// Walks folders, each path once.
    fn folders(&mut self, root: Folder<'_>) {
        let mut stack = vec![(root, ROOT, 0_usize)];
        while let Some((folder, path, depth)) = stack.pop() {
            if self.desk.is_given_up() {
                return;
            }
            if depth < MAX_DEPTH && self.entered.insert(path) {
                self.folder(&folder, &path, depth, &mut stack);
            }
        }
    }

    fn folder<'f>(
        &mut self,
        folder: &Folder<'f>,
        path: &PathHash,
        depth: usize,
        stack: &mut Vec<(Folder<'f>, PathHash, usize)>,
    ) {
        self.desk.begin(None, BUDGET_ON_THE_WAY);
        let mut entries = folder.iter();
        loop {
            // Reading a file on the way begins a budget of its own; the next entry must not live on what it left.
            let entry = match self.desk.guarded(|| entries.next()) {
                Ok(None) => return,
                Ok(Some(Ok(entry))) => entry,
                Ok(Some(Err(error))) => return self.trouble(&error.to_string()),
                Err(panic) => return self.trouble(&format!("it panicked ({panic})")),
            };
            // A long name ends at its first zero; the crate also gives what stands behind it.
            let whole_name = entry.file_name();
            let name = whole_name.split('\0').next().unwrap_or_default();
            if name == "." || name == ".." {
                continue;
            }
            let path = below(path, name);
            if entry.is_dir() {
                if self.ways.contains(&path) {
                    match self.desk.guarded(|| entry.to_dir()) {
                        Ok(inner) => stack.push((inner, path, depth.saturating_add(1))),
                        Err(panic) => self.trouble(&format!("it panicked ({panic})")),
                    }
                }
            } else if let Some(wanted) = self.wanted.get_mut(&path) {
                let (index, size) = (wanted.index, wanted.size);
                if std::mem::replace(&mut wanted.met, true) {
                    self.desk.answer(index, Answer::Limit(Limit::Name));
                    continue;
                }
                self.desk.begin(Some(index), budget_of_file(size));
                let answer = match self.desk.guarded(|| content(self.desk, entry.to_file(), size, &mut self.buffer)) {
                    // A read that met a hole may have been taken for the end of something.
                    Ok(Ok(_)) if self.desk.met_hole() => Answer::Limit(Limit::HoleOnItsWay),
                    Ok(Ok(answer)) => answer,
                    Ok(Err(error)) => failed(self.desk, &error.to_string(), None),
                    Err(panic) => failed(self.desk, &format!("it panicked ({panic})"), None),
                };
                self.desk.answer(index, answer);
                self.desk.begin(None, BUDGET_ON_THE_WAY);
            }
        }
    }

    fn trouble(&mut self, message: &str) {
        let answer = failed(self.desk, message, None);
        self.trouble.get_or_insert(answer);
    }
}

fn content(desk: &Desk<Answer>, mut file: impl std::io::Read, ours: u64, buffer: &mut [u8]) -> std::io::Result<Answer> {
    let (mut hash, mut size) = (Sha256::new(), 0_u64);
    while size <= ours {
        let count = file.read(buffer)?;
        let Some(piece) = buffer.get(..count).filter(|piece| !piece.is_empty()) else { break };
        hash.update(piece);
        size = size.saturating_add(to_u64(count));
        desk.advance(to_u64(count));
    }
    Ok(Answer::Content { size, sha256: hash.finalize().into(), limit: None })
}
