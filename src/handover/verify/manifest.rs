//! The lists in a bag, read without believing them.

use std::borrow::Cow;
use std::collections::HashMap;
use std::io::{self, BufRead};
use std::path::{Component, Path};

use super::problem::{ProblemKind, Problems};
use crate::handover::digests::Algorithm;

/// The longest line that is read, in bytes. A path that a host can open is shorter.
const LONGEST_LINE: usize = 1 << 16;

/// Calls `visit` with each line that is not empty and its number, whatever ends it: LF, CR or CRLF. A line that is too
/// long comes as `None`.
pub(in crate::handover) fn lines(mut file: impl BufRead, mut visit: impl FnMut(u64, Option<&[u8]>)) -> io::Result<()> {
    let (mut line, mut number, mut too_long, mut after_return) = (Vec::new(), 1, false, false);
    let mut end = |line: &mut Vec<u8>, too_long: &mut bool, number: u64| {
        if *too_long {
            visit(number, None);
        } else if !line.is_empty() {
            visit(number, Some(line));
        }
        line.clear();
        *too_long = false;
    };
    loop {
        let buffer = file.fill_buf()?;
        let count = buffer.len();
        if count == 0 {
            break;
        }
        for byte in buffer {
            match byte {
                b'\n' if after_return => {}
                b'\n' | b'\r' => {
                    end(&mut line, &mut too_long, number);
                    number += 1;
                }
                _ if line.len() == LONGEST_LINE => too_long = true,
                _ => line.push(*byte),
            }
            after_return = *byte == b'\r';
        }
        file.consume(count);
    }
    end(&mut line, &mut too_long, number);
    Ok(())
}

/// One manifest: the digest that each path is to have. What is wrong with a line goes to `problems`.
pub(super) fn read(
    file: impl BufRead,
    name: &str,
    algorithm: Algorithm,
    is_payload: bool,
    problems: &Problems,
) -> io::Result<HashMap<String, String>> {
    let mut entries = HashMap::new();
    lines(file, |number, line| {
        let bad = |why: &str| problems.add(ProblemKind::BadLine, name, format!("line {number}: {why}"));
        let Some(line) = line else { return bad("it is too long") };
        let Ok(line) = std::str::from_utf8(line) else { return bad("it is not UTF-8") };
        let Some((digest, path)) = line.split_once([' ', '\t']) else { return bad("it has no digest and path") };
        if !algorithm.is_digest(digest) {
            return bad("it does not begin with a digest");
        }
        let path = path.trim_start_matches([' ', '\t']);
        // Some tools mark files read as binary so, and some begin every path so.
        let path = path.strip_prefix('*').unwrap_or(path);
        let path = path.strip_prefix("./").unwrap_or(path);
        if !is_safe(path) {
            return problems.add(ProblemKind::UnsafePath, path, format!("line {number} of {name}"));
        }
        if path.starts_with("data/") != is_payload {
            return bad(if is_payload { "its path is not in `data/`" } else { "a tag manifest lists no payload" });
        }
        if entries.insert(path.to_string(), digest.to_ascii_lowercase()).is_some() {
            problems.add(ProblemKind::Duplicate, path, format!("line {number} of {name} lists it again"));
        }
    })?;
    Ok(entries)
}

/// Whether a path of a list stays inside the bag on this host.
pub(super) fn is_safe(path: &str) -> bool {
    path.split('/').all(|part| {
        let mut components = Path::new(part).components();
        matches!((components.next(), components.next()), (Some(Component::Normal(normal)), None) if normal == part)
            // Another stream of a file, on Windows.
            && !(cfg!(windows) && part.contains(':'))
    })
}

/// A path without the three sequences of RFC 8493, 2.1.3.
pub(super) fn decoded(path: &str) -> Cow<'_, str> {
    if !path.contains('%') {
        return path.into();
    }
    let mut text = String::with_capacity(path.len());
    let mut rest = path;
    while let Some(at) = rest.find('%') {
        let (before, sequence) = rest.split_at(at);
        text.push_str(before);
        let character = match sequence.get(..3).map(str::to_ascii_uppercase).as_deref() {
            Some("%0A") => Some('\n'),
            Some("%0D") => Some('\r'),
            Some("%25") => Some('%'),
            _ => None,
        };
        text.push(character.unwrap_or('%'));
        rest = sequence.get(if character.is_some() { 3 } else { 1 }..).unwrap_or_default();
    }
    text.push_str(rest);
    text.into()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The path vectors of RFC 8493, 2.1.3, both ways round.
    #[test]
    fn percent_sequences() {
        for (listed, name) in [
            ("data/100%25 sure.txt", "data/100% sure.txt"),
            ("data/new%0Aline.txt", "data/new\nline.txt"),
            ("data/lit%250Aeral.txt", "data/lit%0Aeral.txt"),
            ("data/%0d%0a", "data/\r\n"),
            ("data/50%", "data/50%"),
            ("data/%2", "data/%2"),
            ("data/%é%20", "data/%é%20"),
        ] {
            assert_eq!(decoded(listed), name);
        }
    }

    #[test]
    fn unsafe_paths() {
        for path in ["data/a", "data/.hidden", "data/a b/c", "bagit.txt", "data/..."] {
            assert!(is_safe(path), "{path}");
        }
        for path in ["", "/data/a", "data/../a", "..", "data//a", "data/./a", "data/", "~/../x"] {
            assert!(!is_safe(path), "{path}");
        }
    }

    fn seen(text: &[u8]) -> Vec<(u64, Option<String>)> {
        let mut seen = Vec::new();
        lines(text, |number, line| seen.push((number, line.map(|line| String::from_utf8_lossy(line).into_owned()))))
            .unwrap();
        seen
    }

    #[test]
    fn lines_end_in_three_ways_and_are_bounded() {
        let line = |number, text: &str| (number, Some(text.to_string()));
        assert_eq!(seen(b"a\nb\r\nc\rd"), [line(1, "a"), line(2, "b"), line(3, "c"), line(4, "d")]);
        assert_eq!(seen(b"a\n\nb\n"), [line(1, "a"), line(3, "b")]);
        let longest = "x".repeat(LONGEST_LINE);
        assert_eq!(seen(format!("{longest}\n{longest}x\ny").as_bytes()), [line(1, &longest), (2, None), line(3, "y")]);
    }
}
