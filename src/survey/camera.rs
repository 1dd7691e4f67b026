//! What cameras and phones keep: the folders of a DCIM tree, and the numbers that are missing in them.
//!
//! Names by the Design rule for Camera File system (CIPA DC-009, "DCF", 2.0): below `DCIM` stand folders of three digits
//! from 100 and five letters, digits or `_`; in them files of four such characters and four digits from 0001. Files of
//! one number are one picture (its JPEG, its raw data, its sound). Phones name their folders freely.

use std::collections::BTreeSet;
use std::ops::RangeInclusive;

use serde::Serialize;

use super::{Tally, known, tally::Count};
use crate::catalog::{Attribute, Catalog, NameId, ObjectId, ObjectKind};

/// How many gaps of one folder are listed; the rest are in the number of what is missing.
pub const MOST_GAPS: usize = 100;

/// More numbers than this missing in a row are no gap: somebody set the counter anew.
const LONGEST_GAP: u16 = 1000;

/// The folder of a camera or phone.
#[derive(Debug, Clone, Serialize)]
pub struct CameraFolder {
    /// Its path from the volume's root.
    pub path: String,
    /// Pictures, raw data among them.
    pub pictures: Count,
    /// Films.
    pub films: Count,
    /// All that is in it.
    pub tally: Tally,
    /// The running numbers in the names; `None` if nothing is named that way.
    pub numbers: Option<Numbers>,
}

/// The running numbers of a folder's pictures and films.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Numbers {
    /// The lowest.
    pub first: u16,
    /// The highest.
    pub last: u16,
    /// How many numbers between them nothing has. Pictures that their owner deleted leave such gaps, and lost ones do.
    pub missing: u32,
    /// The gaps, the first [`MOST_GAPS`].
    pub gaps: Vec<Gap>,
}

/// Numbers that nothing has, one after the other.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Gap {
    /// The first of them.
    pub first: u16,
    /// The last of them.
    pub last: u16,
}

impl Numbers {
    fn of(numbers: &BTreeSet<u16>) -> Option<Self> {
        let (first, last) = (*numbers.first()?, *numbers.last()?);
        let mut all = Self { first, last, missing: 0, gaps: Vec::new() };
        for (before, after) in numbers.iter().zip(numbers.iter().skip(1)) {
            let length = after - before - 1;
            if (1..=LONGEST_GAP).contains(&length) {
                all.missing += u32::from(length);
                if all.gaps.len() < MOST_GAPS {
                    all.gaps.push(Gap { first: before + 1, last: after - 1 });
                }
            }
        }
        Some(all)
    }
}

/// Finds the folders of cameras and phones, by path: what stands in a folder `DCIM`, wherever that is, and what is named
/// as cameras do and stands elsewhere (in a folder whose own name was lost, for one).
pub(super) fn find(catalog: &Catalog) -> Vec<CameraFolder> {
    let mut found = Vec::new();
    // Folders of one tree are looked at once, from the highest that counts; what was thrown away is told apart.
    let mut open = vec![catalog.root()];
    while let Some(folder) = open.pop() {
        for name in catalog.children(folder) {
            let object = catalog.named_object(name);
            if catalog.object(object).kind != ObjectKind::Folder {
                continue;
            }
            let text = catalog.name(name).text().to_lowercase();
            if text == "dcim" {
                tree(catalog, name, &mut found);
            } else if is_camera_folder(&text) || (is_nameless(catalog, folder) && holds_numbered(catalog, object)) {
                found.extend(camera_folder(catalog, name));
            } else if !known::RECYCLE_BINS.contains(&&*text) {
                open.push(object);
            }
        }
    }
    found.sort_by(|one, other| one.path.cmp(&other.path));
    found
}

/// A folder `DCIM`: each folder in it, and itself if pictures stand there directly.
fn tree(catalog: &Catalog, dcim: NameId, found: &mut Vec<CameraFolder>) {
    let mut own = Vec::new();
    for name in catalog.children(catalog.named_object(dcim)) {
        let object = catalog.named_object(name);
        if catalog.object(object).kind == ObjectKind::Folder {
            found.extend(camera_folder(catalog, name));
        } else {
            own.push(name);
        }
    }
    let mut folder = Builder::default();
    own.iter().for_each(|name| folder.file(catalog, *name));
    let tally = Tally::of_all(catalog, own.into_iter().map(|name| catalog.named_object(name)).collect());
    found.extend(folder.finish(catalog.path(dcim), tally));
}

/// A folder of pictures; `None` if it holds none and lost none.
fn camera_folder(catalog: &Catalog, name: NameId) -> Option<CameraFolder> {
    let mut folder = Builder::default();
    // The catalog's tree has no loops and a bounded depth.
    let mut open = vec![catalog.named_object(name)];
    while let Some(at) = open.pop() {
        for inside in catalog.children(at) {
            let object = catalog.named_object(inside);
            match catalog.object(object).kind {
                ObjectKind::Folder => open.push(object),
                _ => folder.file(catalog, inside),
            }
        }
    }
    folder.finish(catalog.path(name), Tally::of_folder(catalog, catalog.named_object(name)))
}

#[derive(Default)]
struct Builder {
    pictures: Count,
    films: Count,
    numbers: BTreeSet<u16>,
}

impl Builder {
    fn file(&mut self, catalog: &Catalog, name: NameId) {
        let object = catalog.object(catalog.named_object(name));
        let text = catalog.name(name).text().to_lowercase();
        let Some((stem, extension)) = text.rsplit_once('.').filter(|_| object.kind == ObjectKind::File) else { return };
        let count = if known::PICTURES.contains(&extension) {
            &mut self.pictures
        } else if known::FILMS.contains(&extension) {
            &mut self.films
        } else {
            return;
        };
        count.add(object);
        self.numbers.extend(running_number(stem));
    }

    fn finish(self, path: String, tally: Tally) -> Option<CameraFolder> {
        let Self { pictures, films, numbers } = self;
        let something = pictures.count + films.count > 0 || tally.folders_incomplete > 0;
        something.then(|| CameraFolder { path, pictures, films, tally, numbers: Numbers::of(&numbers) })
    }
}

/// Letters, digits and `_`, as DCF allows in names.
fn is_free(text: &str) -> bool {
    text.bytes().all(|byte| byte.is_ascii_alphanumeric() || byte == b'_')
}

fn digits(text: &str, among: RangeInclusive<u16>) -> Option<u16> {
    let number = text.bytes().all(|byte| byte.is_ascii_digit()).then(|| text.parse().ok()).flatten();
    number.filter(|number| among.contains(number))
}

/// Whether a name in lower case is that of a DCF folder, as in `100choir`.
fn is_camera_folder(name: &str) -> bool {
    let parts = name.split_at_checked(3).filter(|(_, free)| free.len() == 5 && is_free(free));
    // A name of digits alone is more likely a date.
    parts.is_some_and(|(number, free)| {
        digits(number, 100..=999).is_some() && !free.bytes().all(|byte| byte.is_ascii_digit())
    })
}

/// The number in the name of a DCF object without its extension, as 12 in `img_0012`.
fn running_number(stem: &str) -> Option<u16> {
    let (_, number) = stem.split_at_checked(4).filter(|(free, _)| is_free(free))?;
    (number.len() == 4).then(|| digits(number, 1..=9999)).flatten()
}

/// Whether the folders in `folder` lost their own names.
fn is_nameless(catalog: &Catalog, folder: ObjectId) -> bool {
    catalog.object(folder).attributes.contains(Attribute::Virtual)
}

fn holds_numbered(catalog: &Catalog, folder: ObjectId) -> bool {
    let mut builder = Builder::default();
    catalog.children(folder).for_each(|name| builder.file(catalog, name));
    !builder.numbers.is_empty()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_of_the_design_rule() {
        for name in ["100choir", "999_1234", "101abc_1"] {
            assert!(is_camera_folder(name), "{name}");
        }
        for name in ["099choir", "100choirs", "100cho-r", "20090314", "choir", "100chöir", ""] {
            assert!(!is_camera_folder(name), "{name}");
        }
        assert_eq!(running_number("img_0012"), Some(12));
        assert_eq!(running_number("dsc09999"), Some(9999));
        for stem in ["img_0000", "img_00012", "img_012", "img-0012", "20090314_1200", "bärn0012", "img_+012"] {
            assert_eq!(running_number(stem), None, "{stem}");
        }
    }

    #[test]
    fn gaps_lie_between_numbers() {
        let numbers = |list: &[u16]| Numbers::of(&list.iter().copied().collect()).unwrap();
        let all = numbers(&[7, 8, 10, 14, 15]);
        assert_eq!((all.first, all.last, all.missing), (7, 15, 4));
        assert_eq!(all.gaps, [Gap { first: 9, last: 9 }, Gap { first: 11, last: 13 }]);
        assert_eq!(numbers(&[3]), Numbers { first: 3, last: 3, missing: 0, gaps: vec![] });
        assert_eq!(numbers(&[1, 1002]).missing, 1000);
        assert_eq!(numbers(&[1, 1003]).missing, 0, "a counter that was set anew");
        let odd: Vec<u16> = (0..500).map(|number| number * 2 + 1).collect();
        assert_eq!((numbers(&odd).missing, numbers(&odd).gaps.len()), (499, MOST_GAPS));
        assert_eq!(Numbers::of(&BTreeSet::new()), None);
    }
}
