//! Word, Excel and PowerPoint from 2007 on (ECMA-376, part 2: packages; part 1: the main parts).

use super::archive::Archive;
use super::parts::attribute;
use crate::content::formats::documents::{ole, text};
use crate::content::formats::{Step, Stop, Strength, Subject, broken, unchecked};

/// The three programs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Office {
    Word,
    Excel,
    PowerPoint,
}

impl Office {
    const ALL: [Self; 3] = [Self::Word, Self::Excel, Self::PowerPoint];

    fn name(self) -> &'static str {
        match self {
            Self::Word => "Word document",
            Self::Excel => "Excel table",
            Self::PowerPoint => "PowerPoint slides",
        }
    }

    /// The folder of its parts, as every program that writes them names it (common practice).
    fn folder(self) -> &'static [u8] {
        match self {
            Self::Word => b"word/",
            Self::Excel => b"xl/",
            Self::PowerPoint => b"ppt/",
        }
    }

    /// Words that the content type of its main part has.
    fn types(self) -> [&'static [u8]; 2] {
        match self {
            Self::Word => [b"wordprocessingml.", b"ms-word."],
            Self::Excel => [b"spreadsheetml.", b"ms-excel."],
            Self::PowerPoint => [b"presentationml.", b"ms-powerpoint."],
        }
    }
}

/// The program that the names of the first members tell, if it is one.
pub(super) fn told_by_names(head: &[u8]) -> Option<Office> {
    let mut told = None;
    // Behind its header, each member's name.
    for (at, _) in head.windows(4).enumerate().filter(|(_, window)| *window == b"PK\x03\x04") {
        let name = head.get(at.saturating_add(0x1e)..).unwrap_or_default();
        let of = Office::ALL.into_iter().find(|office| name.starts_with(office.folder()));
        told = told.or(of);
    }
    told
}

/// Checks a document of a program.
pub(super) fn check(subject: &Subject<'_>, office: Office) -> Step<Strength> {
    if ole::opens(&subject.up_to(0, 8)?) {
        return ole::encrypted_package(subject);
    }
    let archive = Archive::walk(subject)?;
    let Some(types) = archive.part(b"[Content_Types].xml")? else {
        return if archive.is_locked() { archive.finish() } else { no_main_part(office) };
    };
    let Some(main) = main_part(&archive)? else { return no_main_part(office) };
    // Strings of XML may be UTF-16; then the folder has to do.
    let of = |one: &Office| {
        let main_type = type_of(&types, &main);
        main_type.map_or(main.starts_with(one.folder()), |main_type| {
            one.types().iter().any(|word| text::holds(main_type, word))
        })
    };
    match Office::ALL.iter().find(|one| of(one)) {
        Some(one) if *one == office => archive.finish(),
        Some(other) => {
            archive.finish()?;
            Err(Stop::Mislabelled { is: other.name() })
        }
        None => unchecked("its main part is of a kind without a rule"),
    }
}

fn no_main_part(office: Office) -> Step<Strength> {
    broken(0, format!("it is an archive without what makes it a {}", office.name()))
}

/// The main part, which the relationships of the package name (ECMA-376, part 2, section 9.3).
fn main_part(archive: &Archive<'_>) -> Step<Option<Vec<u8>>> {
    let relations = archive.part(b"_rels/.rels")?.unwrap_or_default();
    for element in relations.split(|byte| *byte == b'<') {
        let is_main = attribute(element, b"Type").is_some_and(|kind| kind.ends_with(b"/officeDocument"));
        if let (true, Some(target)) = (is_main, attribute(element, b"Target")) {
            let target = target.strip_prefix(b"/").unwrap_or(target);
            let target = target.strip_prefix(b"./").unwrap_or(target);
            return Ok(archive.has(target).then(|| target.to_vec()));
        }
    }
    // Relationships in UTF-16, or none: the names that every program gives.
    let usual: [&[u8]; 4] = [b"word/document.xml", b"xl/workbook.xml", b"xl/workbook.bin", b"ppt/presentation.xml"];
    Ok(usual.into_iter().find(|name| archive.has(name)).map(<[u8]>::to_vec))
}

/// The content type of a part (ECMA-376, part 2, section 10.1.2).
fn type_of<'t>(types: &'t [u8], part: &[u8]) -> Option<&'t [u8]> {
    let ending = part.rsplit(|byte| *byte == b'.').next().unwrap_or_default();
    let mut by_ending = None;
    for element in types.split(|byte| *byte == b'<') {
        let kind = attribute(element, b"ContentType");
        if let Some(name) = attribute(element, b"PartName") {
            if name.strip_prefix(b"/").unwrap_or(name).eq_ignore_ascii_case(part) {
                return kind;
            }
        } else if attribute(element, b"Extension").is_some_and(|other| other.eq_ignore_ascii_case(ending)) {
            by_ending = kind;
        }
    }
    by_ending
}
