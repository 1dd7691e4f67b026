//! Patterns with `*` and its kin, over letters and not bytes, so that `?` is one `é` and `ÄRGER` fits `Ärger`.
//!
//! A pattern is a list of steps; a text is walked once, with all steps that are possible at that place: the time is the
//! product of the two lengths at the most, whatever the pattern.

use std::ops::RangeInclusive;

/// The most patterns that the braces of one may stand for: each is walked by itself.
const MOST_ALTERNATIVES: usize = 256;

#[derive(Debug, Clone, PartialEq, Eq)]
enum Step {
    /// This sign.
    Sign(char),
    /// Any sign but `/`.
    One,
    /// Any number of signs but `/`.
    Many,
    /// One sign of these; of all others but `/` if `negated`.
    OneOf {
        negated: bool,
        ranges: Vec<RangeInclusive<char>>,
    },
    /// Any number of folders, each with its `/`: the way past them, and the way into them.
    Folders,
    InFolders,
    /// Any sign, `/` too.
    Anything,
    /// Any number of signs, `/` too.
    Everything,
}

/// One pattern, ready to be held against texts.
#[derive(Debug, Clone)]
pub(super) struct Glob {
    alternatives: Vec<Vec<Step>>,
}

impl Glob {
    /// Reads a pattern.
    pub(super) fn new(text: &str) -> Result<Self, &'static str> {
        let alternatives: Vec<String> = expanded(text)?;
        Ok(Self { alternatives: alternatives.iter().map(|one| steps(one)).collect::<Result<_, _>>()? })
    }

    /// Whether it fits all of a text.
    pub(super) fn fits(&self, text: &str, case_counts: bool) -> bool {
        self.alternatives.iter().any(|steps| fits(steps, text, case_counts))
    }
}

/// The patterns that the braces of a text stand for.
fn expanded(text: &str) -> Result<Vec<String>, &'static str> {
    let (mut open, mut done) = (vec![text.to_string()], Vec::new());
    while let Some(text) = open.pop() {
        match brace(&text)? {
            None => done.push(text),
            Some((before, parts, after)) => {
                open.extend(parts.iter().map(|part| format!("{before}{part}{after}")));
            }
        }
        if open.len() + done.len() > MOST_ALTERNATIVES {
            return Err("its braces stand for too many texts");
        }
    }
    Ok(done)
}

/// What stands before, in, and after some braces.
type Braces<'t> = (&'t str, Vec<&'t str>, &'t str);

/// The first braces of a text.
fn brace(text: &str) -> Result<Option<Braces<'_>>, &'static str> {
    let (mut depth, mut start, mut part) = (0_usize, 0, 0);
    let mut parts = Vec::new();
    let mut signs = text.char_indices();
    while let Some((at, sign)) = signs.next() {
        match sign {
            '\\' => {
                signs.next();
            }
            '[' => skip_set(&mut signs),
            '{' => {
                depth += 1;
                if depth == 1 {
                    (start, part) = (at, at + 1);
                }
            }
            ',' if depth == 1 => {
                parts.push(&text[part..at]);
                part = at + 1;
            }
            '}' if depth == 1 => {
                parts.push(&text[part..at]);
                return Ok(Some((&text[..start], parts, &text[at + 1..])));
            }
            '}' => depth = depth.checked_sub(1).ok_or("a `}` has no `{` before it")?,
            _ => {}
        }
    }
    if depth > 0 { Err("a `{` is not closed") } else { Ok(None) }
}

/// Braces in a set are signs like others.
fn skip_set(signs: &mut std::str::CharIndices<'_>) {
    let mut rest = signs.clone();
    if rest.clone().next().is_some_and(|(_, sign)| matches!(sign, '!' | '^')) {
        rest.next();
    }
    rest.next();
    if rest.any(|(_, sign)| sign == ']') {
        *signs = rest;
    }
}

/// The steps of a pattern without braces.
fn steps(text: &str) -> Result<Vec<Step>, &'static str> {
    let signs: Vec<char> = text.chars().collect();
    let mut steps = Vec::new();
    let mut at = 0;
    while let Some(sign) = signs.get(at) {
        let begins = at == 0 || signs[at - 1] == '/';
        match (sign, &signs[at + 1..]) {
            ('*', ['*', '/', ..]) if begins => {
                steps.extend([Step::Folders, Step::InFolders]);
                at += 3;
                continue;
            }
            ('*', ['*']) if begins => {
                steps.extend([Step::Anything, Step::Everything]);
                at += 2;
                continue;
            }
            ('*', _) => steps.push(Step::Many),
            ('?', _) => steps.push(Step::One),
            ('[', rest) => {
                let (set, length) = set(rest)?;
                steps.push(set);
                at += length;
            }
            ('\\', []) => return Err("nothing follows its last `\\`"),
            ('\\', [next, ..]) => {
                steps.push(Step::Sign(*next));
                at += 1;
            }
            (sign, _) => steps.push(Step::Sign(*sign)),
        }
        at += 1;
    }
    Ok(steps)
}

/// A set, from behind its `[`, and how many signs it takes. A `]` that comes first is one of the signs.
fn set(signs: &[char]) -> Result<(Step, usize), &'static str> {
    let negated = matches!(signs.first(), Some('!' | '^'));
    let first = usize::from(negated);
    let mut ranges = Vec::new();
    let mut at = first;
    loop {
        match signs.get(at..).unwrap_or_default() {
            [] => return Err("a `[` is not closed"),
            [']', ..] if at > first => return Ok((Step::OneOf { negated, ranges }, at + 1)),
            [low, '-', high, ..] if *high != ']' => {
                if low > high {
                    return Err("a range in `[…]` runs backwards");
                }
                ranges.push(*low..=*high);
                at += 3;
            }
            [sign, ..] => {
                ranges.push(*sign..=*sign);
                at += 1;
            }
        }
    }
}

/// A sign where case does not count: its simple upper case, as names are compared.
fn fold(sign: char) -> char {
    let mut upper = sign.to_uppercase();
    match (upper.next(), upper.next()) {
        (Some(single), None) if single.is_ascii() == sign.is_ascii() => single,
        _ => sign,
    }
}

fn is_same(one: char, other: char, case_counts: bool) -> bool {
    one == other || (!case_counts && fold(one) == fold(other))
}

fn is_in(ranges: &[RangeInclusive<char>], sign: char, case_counts: bool) -> bool {
    let has = |sign: char| ranges.iter().any(|range| range.contains(&sign));
    has(sign) || (!case_counts && (sign.to_lowercase().any(has) || has(fold(sign))))
}

fn fits(steps: &[Step], text: &str, case_counts: bool) -> bool {
    let mut now = Places::new(steps.len() + 1);
    now.enter(steps, 0);
    let mut next = Places::new(steps.len() + 1);
    for sign in text.chars() {
        for &place in &now.list {
            let plain = sign != '/';
            match &steps.get(place) {
                None => {}
                Some(Step::Sign(wanted)) if is_same(*wanted, sign, case_counts) => next.enter(steps, place + 1),
                Some(Step::One) if plain => next.enter(steps, place + 1),
                Some(Step::OneOf { negated, ranges }) if plain && is_in(ranges, sign, case_counts) != *negated => {
                    next.enter(steps, place + 1);
                }
                Some(Step::Many) if plain => next.enter(steps, place),
                Some(Step::InFolders) => {
                    next.enter(steps, place);
                    if !plain {
                        next.enter(steps, place + 1);
                    }
                }
                Some(Step::Anything) => next.enter(steps, place + 1),
                Some(Step::Everything) => next.enter(steps, place),
                Some(Step::Sign(_) | Step::One | Step::OneOf { .. } | Step::Many | Step::Folders) => {}
            }
        }
        std::mem::swap(&mut now, &mut next);
        next.clear();
        if now.list.is_empty() {
            return false;
        }
    }
    now.seen[steps.len()]
}

/// The steps that may come next.
struct Places {
    list: Vec<usize>,
    seen: Vec<bool>,
}

impl Places {
    fn new(length: usize) -> Self {
        Self { list: Vec::new(), seen: vec![false; length] }
    }

    fn clear(&mut self) {
        for place in self.list.drain(..) {
            self.seen[place] = false;
        }
    }

    /// Adds a step, and those that may follow it at once.
    fn enter(&mut self, steps: &[Step], place: usize) {
        if std::mem::replace(&mut self.seen[place], true) {
            return;
        }
        self.list.push(place);
        match steps.get(place) {
            Some(Step::Many | Step::Everything) => self.enter(steps, place + 1),
            Some(Step::Folders) => {
                self.enter(steps, place + 1);
                self.enter(steps, place + 2);
            }
            _ => {}
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fits(pattern: &str, text: &str) -> bool {
        Glob::new(pattern).unwrap().fits(text, true)
    }

    #[test]
    fn stars_marks_sets_and_braces() {
        for (pattern, fit, other) in [
            ("", &[""][..], &["a"][..]),
            ("a*c", &["ac", "abc", "abbbc"], &["a/c", "ab", "bac"]),
            ("*a*", &["a", "bab", "aaaa"], &["b", ""]),
            ("?", &["a", "é", "\u{10FFFF}"], &["", "ab", "/"]),
            ("**", &["a", "a/b/c", "/"], &[""]),
            ("a/**", &["a/b", "a/b/c"], &["a", "a/"]),
            ("**/a", &["a", "b/a", "/a", "b/c/a"], &["ba", "b/ca", "a/"]),
            ("/x/**/a", &["/x/a", "/x/y/a", "/x/y/z/a"], &["/x/ya", "/xa", "/x/y/az"]),
            ("a**b", &["ab", "axxb"], &["a/b"]),
            ("[a-c]x", &["ax", "cx"], &["dx", "x", "/x"]),
            ("[!a-c]x", &["dx", "éx"], &["ax", "/x"]),
            ("[]]", &["]"], &["["]),
            ("[a-]", &["a", "-"], &["b"]),
            ("[{,}]", &["{", ",", "}"], &["a"]),
            ("{a,b{c,d},}x", &["ax", "bcx", "bdx", "x"], &["bx", "cx"]),
            (r"\{a\,\*", &["{a,*"], &["{a,b"]),
        ] {
            for text in fit {
                assert!(fits(pattern, text), "{pattern} fits {text}");
            }
            for text in other {
                assert!(!fits(pattern, text), "{pattern} does not fit {text}");
            }
        }
    }

    #[test]
    fn case_is_that_of_names() {
        for (pattern, text) in [("ÄRGER*", "ärger.txt"), ("straße", "STRAßE"), ("[a-c]", "B"), ("[Ä-Ö]", "ä")] {
            let glob = Glob::new(pattern).unwrap();
            assert!(glob.fits(text, false) && !glob.fits(text, true), "{pattern} {text}");
        }
    }

    #[test]
    fn what_is_no_pattern() {
        for wrong in ["[", "[]", "[!", "{", "{a,b", "a}", "[z-a]", "a\\"] {
            assert!(Glob::new(wrong).is_err(), "{wrong}");
        }
        assert!(Glob::new(&"{a,b}".repeat(8)).is_ok() && Glob::new(&"{a,b}".repeat(9)).is_err());
    }

    #[test]
    fn no_pattern_takes_long() {
        let pattern = format!("{}b", "*a".repeat(200));
        assert!(!fits(&pattern, &"a".repeat(5000)));
        let pattern = "**/".repeat(300);
        assert!(fits(&pattern, &"a/".repeat(2000)));
    }
}
