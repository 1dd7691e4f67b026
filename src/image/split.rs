//! Split raw images: `name.001`, `name.000`, `name.aa` and so on.

use std::path::{Path, PathBuf};

use crate::error::{Error, Result};

/// The parts of the image that `path` is, or is the first part of, in order. A file that is no first part is its own
/// only part.
///
/// # Errors
/// [`Error::Usage`] if a part is missing between others, if a part before the last is of another size than the first,
/// or if `path` is a later part.
pub(super) fn find_parts(path: &Path) -> Result<Vec<PathBuf>> {
    let alone = || Ok(vec![path.to_path_buf()]);
    let Some(extension) = path.extension().and_then(|extension| extension.to_str()) else { return alone() };
    let Some(numbering) = Numbering::of(extension) else { return alone() };
    let Some(number) = numbering.parse(extension) else { return alone() };
    // A later part: only if its first part is there too. A lone `disk.002`, or `letter.ab`, is just a name.
    if number > numbering.first_possible().1 {
        let has_first = (numbering.first_possible().0..=numbering.first_possible().1)
            .any(|first| numbering.format(first).is_some_and(|name| path.with_extension(name).is_file()));
        if has_first {
            return Err(Error::Usage(format!(
                "`{}` is a later part of a split image; name its first part, or all parts in order",
                path.display()
            )));
        }
        return alone();
    }
    let mut parts = Vec::new();
    let mut next = number;
    while let Some(part) = numbering.format(next).map(|name| path.with_extension(name)).filter(|part| part.is_file()) {
        parts.push(part);
        next = next.saturating_add(1);
    }
    check_gap(path, &numbering, next)?;
    check_sizes(&parts)?;
    if parts.is_empty() { alone() } else { Ok(parts) }
}

/// How far past the first missing number later parts are looked for.
const GAP_SEARCH: u32 = 32;

fn check_gap(path: &Path, numbering: &Numbering, missing: u32) -> Result<()> {
    for number in (missing..=missing.saturating_add(GAP_SEARCH)).skip(1) {
        let later = numbering.format(number).map(|name| path.with_extension(name));
        if let Some(later) = later.filter(|later| later.is_file()) {
            let name = numbering.format(missing).unwrap_or_default();
            return Err(Error::Usage(format!(
                "part `{}` of the split image is missing although `{}` is there; find it before going on",
                path.with_extension(name).display(),
                later.display()
            )));
        }
    }
    Ok(())
}

/// Parts are cut to one size; only the last may be shorter, and none longer.
fn check_sizes(parts: &[PathBuf]) -> Result<()> {
    let size = |path: &PathBuf| std::fs::metadata(path).map(|metadata| metadata.len()).ok();
    let Some(first) = parts.first().and_then(size) else { return Ok(()) };
    let count = parts.len();
    for (index, part) in parts.iter().enumerate().skip(1) {
        let Some(length) = size(part) else { continue };
        let last = index.saturating_add(1) == count;
        if length > first || (length < first && !last) {
            return Err(Error::Usage(format!(
                "part `{}` has {length} bytes where the first part has {first}: a part was cut short or belongs to \
                 another image; if the sizes are meant so, name all parts in order",
                part.display()
            )));
        }
    }
    Ok(())
}

/// How the parts are counted: with digits, or with letters as `split` does.
enum Numbering {
    Digits(usize),
    Letters(usize),
}

impl Numbering {
    fn of(extension: &str) -> Option<Self> {
        let length = extension.len();
        if (2..=6).contains(&length) && extension.bytes().all(|byte| byte.is_ascii_digit()) {
            Some(Self::Digits(length))
        } else if (2..=4).contains(&length) && extension.bytes().all(|byte| byte.is_ascii_lowercase()) {
            Some(Self::Letters(length))
        } else {
            None
        }
    }

    /// The lowest and highest number that a first part can have: `000` or `001`, and only `aa` for letters.
    fn first_possible(&self) -> (u32, u32) {
        match self {
            Self::Digits(_) => (0, 1),
            Self::Letters(_) => (0, 0),
        }
    }

    fn parse(&self, extension: &str) -> Option<u32> {
        match self {
            Self::Digits(_) => extension.parse().ok(),
            Self::Letters(_) => extension.bytes().try_fold(0_u32, |number, byte| {
                number.checked_mul(26)?.checked_add(u32::from(byte.checked_sub(b'a')?))
            }),
        }
    }

    fn format(&self, number: u32) -> Option<String> {
        match *self {
            Self::Digits(width) => Some(format!("{number:0width$}")),
            Self::Letters(width) => {
                let mut rest = number;
                let mut letters = Vec::with_capacity(width);
                for _ in 0..width {
                    let letter = u8::try_from(rest.checked_rem(26)?).ok()?;
                    letters.push(char::from(b'a'.checked_add(letter)?));
                    rest = rest.checked_div(26)?;
                }
                (rest == 0).then(|| letters.iter().rev().collect())
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn folder(files: &[(&str, usize)]) -> tempfile::TempDir {
        let folder = tempfile::tempdir().unwrap();
        for (name, size) in files {
            crate::testing::write_file(&folder.path().join(name), &vec![1; *size]);
        }
        folder
    }

    fn names(folder: &tempfile::TempDir, first: &str) -> Result<Vec<String>> {
        let parts = find_parts(&folder.path().join(first))?;
        Ok(parts.iter().map(|part| part.file_name().unwrap().to_str().unwrap().to_string()).collect())
    }

    #[test]
    fn digits_and_letters_are_followed() {
        let parts =
            folder(&[("d.001", 4), ("d.002", 4), ("d.003", 1), ("e.000", 4), ("e.001", 2), ("f.aa", 3), ("f.ab", 3)]);
        assert_eq!(names(&parts, "d.001").unwrap(), ["d.001", "d.002", "d.003"]);
        assert_eq!(names(&parts, "e.000").unwrap(), ["e.000", "e.001"]);
        assert_eq!(names(&parts, "f.aa").unwrap(), ["f.aa", "f.ab"]);
    }

    #[test]
    fn a_gap_or_an_odd_size_is_said() {
        let gap = folder(&[("d.001", 4), ("d.002", 4), ("d.004", 4)]);
        assert!(names(&gap, "d.001").unwrap_err().to_string().contains("d.003"));
        let short = folder(&[("d.001", 4), ("d.002", 3), ("d.003", 4)]);
        assert!(names(&short, "d.001").unwrap_err().to_string().contains("d.002"));
        let long = folder(&[("d.001", 4), ("d.002", 5)]);
        assert!(names(&long, "d.001").unwrap_err().to_string().contains("d.002"));
    }

    #[test]
    fn a_later_part_is_not_an_image() {
        let parts = folder(&[("d.001", 4), ("d.002", 4)]);
        assert!(names(&parts, "d.002").unwrap_err().to_string().contains("later part"));
    }

    #[test]
    fn ordinary_names_stand_alone() {
        let files = folder(&[("disk.img", 4), ("disk.dd", 4), ("x.bin", 4), ("lone.002", 4)]);
        for name in ["disk.img", "disk.dd", "x.bin", "lone.002"] {
            assert_eq!(names(&files, name).unwrap(), [name]);
        }
    }
}
