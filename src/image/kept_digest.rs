//! The digest of an image as a file beside it: one that `sha256sum -c` takes, with the lengths and times by which
//! handback sees whether the image is still the same in comments.
//!
//! The form of the lines is that of GNU coreutils (manual, "md5sum: Print or check MD5 digests"): the digest, two
//! characters, the name; a `\` stands before the digest if the name has `\`, a line feed or a carriage return, which
//! are then written as `\\`, `\n` and `\r`. That lines which begin with `#` are passed over is common practice there.

use std::path::{Path, PathBuf};
use std::time::SystemTime;

use super::digest::{ImageDigest, PartDigest};

const FIRST_LINE: &str = "# handback image digest 1";
const LENGTH: &str = "# image-length: ";
const COMPUTED: &str = "# computed: ";
const JOINED: &str = "# sha256 of the parts joined: ";
const PART: &str = "# part: ";
const MODIFIED: &str = " bytes, modified ";

/// RFC 3339, with all the digits that a disk keeps.
fn time(time: SystemTime) -> Option<String> {
    jiff::Timestamp::try_from(time).ok().map(|time| time.to_string())
}

fn parsed_time(text: &str) -> Option<SystemTime> {
    text.parse::<jiff::Timestamp>().ok().and_then(|time| SystemTime::try_from(time).ok())
}

impl ImageDigest {
    /// The text of the file; `None` if a time can't be written, and so nobody could see later whether it still fits.
    /// Parts beside the first are named without their folder, so that the files can be moved together.
    #[must_use]
    pub fn to_text(&self) -> Option<Vec<u8>> {
        let folder = self.parts.first()?.path.parent();
        let mut text =
            format!("{FIRST_LINE}\n{LENGTH}{}\n{COMPUTED}{}\n", self.length, time(self.computed)?).into_bytes();
        if self.parts.len() > 1 {
            text.extend(format!("{JOINED}{}\n", self.sha256).bytes());
        }
        for part in &self.parts {
            let name = match part.path.parent() == folder {
                true => Path::new(part.path.file_name()?),
                false => &part.path,
            };
            text.extend(format!("{PART}{}{MODIFIED}{}\n", part.length, time(part.modified?)?).bytes());
            text.extend(sum_line(&part.sha256, name));
        }
        Some(text)
    }

    /// Reads what [`ImageDigest::to_text`] wrote; `None` if it is anything else. The parts' folders are not known: what
    /// stands beside the first comes without one.
    #[must_use]
    pub fn from_text(text: &[u8]) -> Option<Self> {
        let mut lines = text.split(|byte| *byte == b'\n').map(|line| line.strip_suffix(b"\r").unwrap_or(line));
        let mut comment = |label: &str| {
            let line = std::str::from_utf8(lines.next()?).ok()?;
            line.strip_prefix(label).map(str::to_string)
        };
        comment(FIRST_LINE).filter(String::is_empty)?;
        let length = comment(LENGTH)?.parse().ok()?;
        let computed = parsed_time(&comment(COMPUTED)?)?;
        let (mut joined, mut parts, mut about) = (None, Vec::new(), None);
        for line in lines.filter(|line| !line.is_empty()) {
            if !line.starts_with(b"#") {
                let (length, modified) = about.take()?;
                let (sha256, path) = parsed_sum_line(line)?;
                parts.push(PartDigest { path, length, modified: Some(modified), sha256 });
                continue;
            }
            let line = std::str::from_utf8(line).ok()?;
            if let Some(digest) = line.strip_prefix(JOINED) {
                joined = Some(digest.to_string()).filter(|digest| is_digest(digest));
            } else if let Some((length, modified)) = line.strip_prefix(PART).and_then(|part| part.split_once(MODIFIED))
            {
                about = Some((length.parse::<u64>().ok()?, parsed_time(modified)?));
            }
        }
        let sha256 = match (&parts[..], joined) {
            ([only], None) => only.sha256.clone(),
            ([_, _, ..], Some(joined)) => joined,
            _ => return None,
        };
        let total = parts.iter().try_fold(0_u64, |total, part: &PartDigest| total.checked_add(part.length));
        (total == Some(length)).then_some(Self { sha256, length, parts, computed })
    }
}

fn is_digest(text: &str) -> bool {
    text.len() == 64 && text.bytes().all(|digit| matches!(digit, b'0'..=b'9' | b'a'..=b'f'))
}

/// A line of such a file.
fn sum_line(digest: &str, name: &Path) -> Vec<u8> {
    let name = name.as_os_str().as_encoded_bytes();
    // On Windows it parts folders, and no name has it.
    let escaped = |byte: &u8| match byte {
        b'\\' if cfg!(not(windows)) => Some(b'\\'),
        b'\n' => Some(b'n'),
        b'\r' => Some(b'r'),
        _ => None,
    };
    let mut line = Vec::new();
    if name.iter().any(|byte| escaped(byte).is_some()) {
        line.push(b'\\');
    }
    line.extend(digest.bytes());
    line.extend(b"  ");
    for byte in name {
        match escaped(byte) {
            Some(letter) => line.extend([b'\\', letter]),
            None => line.push(*byte),
        }
    }
    line.push(b'\n');
    line
}

fn parsed_sum_line(line: &[u8]) -> Option<(String, PathBuf)> {
    let (is_escaped, line) = match line.strip_prefix(b"\\") {
        Some(line) => (true, line),
        None => (false, line),
    };
    let (digest, name) = line.split_at_checked(64)?;
    let digest = std::str::from_utf8(digest).ok().filter(|digest| is_digest(digest))?;
    let name = name.strip_prefix(b"  ").or_else(|| name.strip_prefix(b" *"))?;
    let mut bytes = Vec::with_capacity(name.len());
    let mut rest = name.iter();
    while let Some(byte) = rest.next() {
        bytes.push(match byte {
            b'\\' if is_escaped => match rest.next()? {
                b'n' => b'\n',
                b'r' => b'\r',
                b'\\' => b'\\',
                _ => return None,
            },
            byte => *byte,
        });
    }
    Some((digest.to_string(), path(bytes)?))
}

#[cfg(unix)]
fn path(bytes: Vec<u8>) -> Option<PathBuf> {
    Some(std::os::unix::ffi::OsStringExt::from_vec(bytes)).map(|name: std::ffi::OsString| PathBuf::from(name))
}

#[cfg(not(unix))]
fn path(bytes: Vec<u8>) -> Option<PathBuf> {
    String::from_utf8(bytes).ok().map(PathBuf::from)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::Duration;

    fn part(name: &str, length: u64, digit: &str) -> PartDigest {
        let modified = SystemTime::UNIX_EPOCH + Duration::new(1_700_000_000, 123_456_700);
        PartDigest { path: PathBuf::from(name), length, modified: Some(modified), sha256: digit.repeat(64) }
    }

    fn digest(parts: Vec<PartDigest>) -> ImageDigest {
        let sha256 = if let [only] = &parts[..] { only.sha256.clone() } else { "9".repeat(64) };
        let length = parts.iter().map(|part| part.length).sum();
        ImageDigest { sha256, length, parts, computed: SystemTime::UNIX_EPOCH + Duration::from_secs(1_700_000_100) }
    }

    #[test]
    fn it_comes_back() {
        let one = digest(vec![part("choir.img", 7, "a")]);
        let text = one.to_text().unwrap();
        let shown = String::from_utf8(text.clone()).unwrap();
        assert_eq!(
            shown,
            format!(
                "# handback image digest 1\n# image-length: 7\n# computed: 2023-11-14T22:15:00Z\n\
                 # part: 7 bytes, modified 2023-11-14T22:13:20.1234567Z\n{}  choir.img\n",
                "a".repeat(64)
            )
        );
        assert_eq!(ImageDigest::from_text(&text), Some(one.clone()));
        assert_eq!(ImageDigest::from_text(shown.replace('\n', "\r\n").as_bytes()), Some(one));
        let split = digest(vec![part("d.001", 7, "a"), part("d.002", 9, "b"), part("d.003", 1, "c")]);
        let text = split.to_text().unwrap();
        assert!(String::from_utf8(text.clone()).unwrap().contains(&format!("parts joined: {}\n", "9".repeat(64))));
        assert_eq!(ImageDigest::from_text(&text), Some(split));
    }

    #[cfg(unix)]
    #[test]
    fn hard_names_come_back() {
        let hard = digest(vec![part("a\\b\nc\rd é.img", 7, "a")]);
        let text = hard.to_text().unwrap();
        assert!(String::from_utf8(text.clone()).unwrap().ends_with("a  a\\\\b\\nc\\rd é.img\n"));
        assert_eq!(ImageDigest::from_text(&text), Some(hard));
    }

    #[test]
    fn what_is_anything_else_is_nothing() {
        let text = String::from_utf8(digest(vec![part("choir.img", 7, "a")]).to_text().unwrap()).unwrap();
        for (from, to) in [
            ("digest 1", "digest 2"),
            ("# image-length: 7", "# image-length: 8"),
            ("# part: 7", "# part: seven"),
            ("aaa  ", "aaa "),
            ("aaa  ", "aax  "),
            ("# handback", "handback"),
            ("modified", "made"),
        ] {
            assert!(text.contains(from));
            assert_eq!(ImageDigest::from_text(text.replacen(from, to, 1).as_bytes()), None, "{from} → {to}");
        }
        let plain = format!("{}  choir.img\n", "a".repeat(64));
        assert_eq!(ImageDigest::from_text(plain.as_bytes()), None, "a list of another program");
        assert_eq!(ImageDigest::from_text(b""), None);
        for end in 0..text.len() - 1 {
            let _ = ImageDigest::from_text(&text.as_bytes()[..end]);
        }
    }
}
