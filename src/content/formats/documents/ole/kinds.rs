//! The kinds of compound files that people know by a name of their own, told by their main stream.

use super::compound::Compound;
use super::stream::Stream;
use super::{excel, message, opens, slides, word};
use crate::bytes::{le_u64, to_u64};
use crate::content::formats::{Format, Step, Stop, Strength, Subject, broken, unchecked};

/// Compound files, and Excel's tables of before there were any.
pub(in crate::content::formats::documents) const FORMATS: &[Format] = &[
    Format { name: "OLE compound file", endings: OTHERS, opens, check: check_any },
    Format {
        name: "Word 97 document",
        endings: &["doc"],
        opens: |head| opens(head) || word::is_older(head),
        check: check_word,
    },
    Format {
        name: "Excel 97 table",
        endings: &["xls", "xlt", "xla"],
        opens: |head| opens(head) || excel::opens(head),
        check: check_excel,
    },
    Format { name: "PowerPoint 97 slides", endings: &["ppt", "pps"], opens, check: check_slides },
    Format { name: "Outlook message", endings: &["msg", "oft"], opens, check: check_message },
];

/// Endings of kinds of which only the compound file is checked. Endings that other programs use for other things (`.pub`,
/// `.dot`, `.pot`, `.wps`) stand in no list: such files are known by their opening.
const OTHERS: &[&str] = &["vsd", "vst", "vss", "mpp", "mpt", "msi", "msp"];

/// What a compound file is, by its main stream.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Main {
    Word,
    Excel,
    Slides,
    Message,
    Encrypted,
    Other,
}

impl Main {
    fn of(compound: &Compound<'_>) -> Self {
        [
            ("EncryptedPackage", Self::Encrypted),
            ("WordDocument", Self::Word),
            ("Workbook", Self::Excel),
            ("Book", Self::Excel),
            ("PowerPoint Document", Self::Slides),
            ("__properties_version1.0", Self::Message),
        ]
        .into_iter()
        .find(|(name, _)| compound.has(name))
        .map_or(Self::Other, |(_, main)| main)
    }

    fn name(self) -> &'static str {
        match self {
            Self::Word => "Word 97 document",
            Self::Excel => "Excel 97 table",
            Self::Slides => "PowerPoint 97 slides",
            Self::Message => "Outlook message",
            Self::Encrypted => "encrypted Office document",
            Self::Other => "OLE compound file",
        }
    }

    fn check(self, compound: &Compound<'_>) -> Step<Strength> {
        match self {
            Self::Word => word::check(compound)?,
            Self::Excel => excel::check(compound)?,
            Self::Slides => slides::check(compound)?,
            Self::Message => message::check(compound)?,
            Self::Encrypted => return check_encrypted(compound),
            Self::Other => {}
        }
        Ok(Strength::Structure)
    }
}

fn check_any(subject: &Subject<'_>) -> Step<Strength> {
    let compound = Compound::walk(subject)?;
    Main::of(&compound).check(&compound)
}

fn check_as(subject: &Subject<'_>, asked: Main) -> Step<Strength> {
    let compound = Compound::walk(subject)?;
    let main = Main::of(&compound);
    if asked == Main::Slides && main == Main::Other && compound.has("PP40") {
        return unchecked("it was written by a PowerPoint older than 97");
    }
    let strength = main.check(&compound)?;
    if main == asked {
        Ok(strength)
    } else if main == Main::Other {
        broken(0, format!("it is a compound file without what makes it a {}", asked.name()))
    } else {
        Err(Stop::Mislabelled { is: main.name() })
    }
}

fn check_word(subject: &Subject<'_>) -> Step<Strength> {
    if !opens(&subject.up_to(0, 8)?) {
        return unchecked("it was written by a Word older than 97");
    }
    check_as(subject, Main::Word)
}

fn check_excel(subject: &Subject<'_>) -> Step<Strength> {
    if !opens(&subject.up_to(0, 8)?) {
        excel::check_stream(subject, &Stream::whole(subject))?;
        return Ok(Strength::Structure);
    }
    check_as(subject, Main::Excel)
}

fn check_slides(subject: &Subject<'_>) -> Step<Strength> {
    check_as(subject, Main::Slides)
}

fn check_message(subject: &Subject<'_>) -> Step<Strength> {
    check_as(subject, Main::Message)
}

/// A document of 2007 or later that has a password: a compound file with the archive in a stream ([MS-OFFCRYPTO] 2.3.4.4).
fn check_encrypted(compound: &Compound<'_>) -> Step<Strength> {
    let package = compound.stream("EncryptedPackage")?;
    let Some(package) = package.filter(|_| compound.has("EncryptionInfo")) else {
        return broken(0, "what says how it is encrypted is not in it");
    };
    let size = le_u64(&package.array::<8>(compound.subject, 0)?, 0).unwrap_or_default();
    if size > package.length().saturating_sub(to_u64(8)) {
        return broken(package.place(0), "the encrypted document is longer than its stream");
    }
    Err(Stop::Protected { why: "it is encrypted with a password".to_string() })
}

/// Checks a compound file under the name of a document that would be an archive without its password.
pub(in crate::content::formats::documents) fn encrypted_package(subject: &Subject<'_>) -> Step<Strength> {
    let compound = Compound::walk(subject)?;
    let main = Main::of(&compound);
    main.check(&compound)?;
    Err(Stop::Mislabelled { is: main.name() })
}
