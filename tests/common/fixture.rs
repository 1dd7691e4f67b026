//! The test images and the truth about them, as `test-images/README.md` describes them.

use std::io::Read;
use std::ops::Range;
use std::path::PathBuf;
use std::sync::Arc;

use handback::image::{Image, MemoryImage};
use handback::sector_map::{Basis, ByteState, SectorMap};
use handback::source::Source;

/// A file of `test-images/`. A missing one is a failure, never a test less.
pub(crate) fn file(name: &str) -> Vec<u8> {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("test-images").join(name);
    std::fs::read(&path).unwrap_or_else(|error| panic!("the test image {} is needed: {error}", path.display()))
}

/// The bytes of an image.
pub(crate) fn image(name: &str) -> Vec<u8> {
    let packed = file(&format!("{name}.img.zst"));
    let mut decoder = ruzstd::decoding::StreamingDecoder::new(&packed[..]).expect("a zstd frame");
    let mut bytes = Vec::new();
    decoder.read_to_end(&mut bytes).expect("the frame is whole");
    bytes
}

/// An image that no map speaks for.
pub(crate) fn unmapped(name: &str) -> Source {
    Source::without_map(Arc::new(MemoryImage::new(image(name))))
}

/// An image whose every byte was read.
pub(crate) fn all_read(name: &str) -> Source {
    let image: Arc<dyn Image> = Arc::new(MemoryImage::new(image(name)));
    let map = SectorMap::from_ranges(image.length(), Basis::Full, ByteState::Read, &[]).expect("no ranges");
    Source::new(image, &map, 512)
}

/// A line of the truth.
#[derive(Debug, Clone)]
pub(crate) struct Truth {
    pub(crate) kind: String,
    /// Units of the path, escapes undone but for a slash inside a name, which is kept as `\u{1}`.
    pub(crate) path: Vec<u16>,
    pub(crate) size: Option<u64>,
    pub(crate) sha256: Option<String>,
    pub(crate) note: String,
}

/// Stands for a slash inside a name.
pub(crate) const INNER_SLASH: u16 = 1;

impl Truth {
    pub(crate) fn has(&self, word: &str) -> bool {
        self.note.split(' ').any(|one| one == word)
    }

    /// What stands behind `KEY=`, up to the next blank.
    pub(crate) fn value(&self, key: &str) -> Option<&str> {
        self.note.split(' ').find_map(|one| one.strip_prefix(key)?.strip_prefix('='))
    }

    /// The range of the file that lies in a hole of the image.
    pub(crate) fn hole(&self) -> Option<Range<usize>> {
        let mut words = self.note.split(" hardlink-of ").next()?.split(' ').skip_while(|word| *word != "hole").skip(1);
        let (start, length): (usize, usize) = (words.next()?.parse().ok()?, words.next()?.parse().ok()?);
        Some(start..start + length)
    }

    pub(crate) fn path_text(&self) -> String {
        String::from_utf16_lossy(&self.path)
    }
}

/// The truth about an image.
pub(crate) fn truth(name: &str) -> Vec<Truth> {
    let text = String::from_utf8(file(&format!("{name}.truth.tsv"))).expect("UTF-8");
    text.split('\n')
        .filter(|line| !line.is_empty() && !line.starts_with('#'))
        .map(|line| {
            let fields: Vec<&str> = line.split('\t').collect();
            assert_eq!(fields.len(), 5, "{line}");
            Truth {
                kind: fields[0].to_string(),
                path: unescape(fields[1]),
                size: fields[2].parse().ok(),
                sha256: (!fields[3].is_empty()).then(|| fields[3].to_string()),
                note: fields[4].to_string(),
            }
        })
        .collect()
}

/// The truth about one volume of a disk; its paths begin with `/`.
pub(crate) fn truth_of_volume(name: &str, volume: u32) -> Vec<Truth> {
    let prefix: Vec<u16> = format!("{volume}:").encode_utf16().collect();
    let mut lines = truth(name);
    lines.retain(|line| line.path.starts_with(&prefix));
    for line in &mut lines {
        line.path.drain(..prefix.len());
    }
    lines
}

fn unescape(text: &str) -> Vec<u16> {
    let mut units = Vec::new();
    let mut rest = text.chars();
    while let Some(character) = rest.next() {
        if character != '\\' {
            units.extend(character.encode_utf16(&mut [0; 2]).iter());
            continue;
        }
        units.push(match rest.next() {
            Some('\\') => u16::from(b'\\'),
            Some('t') => 9,
            Some('n') => 10,
            Some('r') => 13,
            Some('0') => 0,
            Some('/') => INNER_SLASH,
            Some('u') => {
                let hex: String = rest.by_ref().take(4).collect();
                u16::from_str_radix(&hex, 16).expect("four digits")
            }
            other => panic!("unknown escape {other:?} in {text}"),
        });
    }
    units
}
