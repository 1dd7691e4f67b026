//! Patterns of names and ends of paths, and an index that finds for a name the few that can fit.

use std::collections::HashMap;

/// Whether a plain name fits a pattern, in which `*` stands for any characters, also none.
pub(super) fn fits(pattern: &str, name: &str) -> bool {
    let Some((first, rest)) = pattern.split_once('*') else { return pattern == name };
    let Some(mut left) = name.strip_prefix(first) else { return false };
    let mut rest = rest;
    // Each piece is taken where it comes first, and the last one must be the end.
    while let Some((piece, more)) = rest.split_once('*') {
        let Some(at) = place_of(piece, left) else { return false };
        left = &left[at + piece.len()..];
        rest = more;
    }
    left.ends_with(rest)
}

/// Where a piece stands first in a name. Names are short: looking at each place takes less than preparing a search.
fn place_of(piece: &str, name: &str) -> Option<usize> {
    match piece.len() {
        0 => Some(0),
        length => name.as_bytes().windows(length).position(|here| here == piece.as_bytes()),
    }
}

/// Whether the end of a path, as its plain names from the root on, fits a pattern of names with `/` between them; one
/// that begins with `/` is the whole path.
pub(super) fn path_fits<'a>(pattern: &str, path: impl ExactSizeIterator<Item = &'a str> + DoubleEndedIterator) -> bool {
    let (pattern, whole) = match pattern.strip_prefix('/') {
        Some(pattern) => (pattern, true),
        None => (pattern, false),
    };
    let mut left = path.len();
    let mut path = path.rev();
    for part in pattern.rsplit('/') {
        if !path.next().is_some_and(|name| fits(part, name)) {
            return false;
        }
        left -= 1;
    }
    !whole || left == 0
}

/// Things to be found by a pattern of a name.
#[derive(Debug)]
pub(super) struct Index<T> {
    exact: HashMap<&'static str, Vec<T>>,
    /// By what follows the last dot, for patterns such as `*.pst`.
    endings: HashMap<&'static str, Vec<T>>,
    others: Vec<(&'static str, T)>,
}

impl<T: Copy> Index<T> {
    pub(super) fn new() -> Self {
        Self { exact: HashMap::new(), endings: HashMap::new(), others: Vec::new() }
    }

    /// Adds a thing by the last name of a pattern of a path.
    pub(super) fn add(&mut self, pattern: &'static str, thing: T) {
        let last = pattern.rsplit('/').next().unwrap_or_default();
        if !last.contains('*') {
            self.exact.entry(last).or_default().push(thing);
        } else if let Some(ending) = last.strip_prefix("*.").filter(|ending| !ending.contains(['*', '.'])) {
            self.endings.entry(ending).or_default().push(thing);
        } else {
            self.others.push((last, thing));
        }
    }

    /// The things whose pattern a plain name fits.
    pub(super) fn of(&self, name: &str) -> impl Iterator<Item = T> {
        let ending = name.rsplit_once('.').and_then(|(_, ending)| self.endings.get(ending));
        let listed = self.exact.get(name).into_iter().chain(ending).flatten().copied();
        listed.chain(self.others.iter().filter(move |(pattern, _)| fits(pattern, name)).map(|(_, thing)| *thing))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_star_stands_for_anything() {
        for (pattern, name, expected) in [
            ("*", "", true),
            ("*.pst", "choir.pst", true),
            ("*.pst", "choir.pst.bak", false),
            ("bitlocker*key*.txt", "bitlocker recovery key 1a2b.txt", true),
            ("bitlocker*key*.txt", "bitlocker.txt", false),
            ("a*a", "a", false),
            ("a*b*b", "ab", false),
            ("onedrive*", "onedrive - choir", true),
            ("*ö*", "chöre", true),
        ] {
            assert_eq!(fits(pattern, name), expected, "{pattern} {name}");
        }
    }

    #[test]
    fn the_end_of_a_path_or_all_of_it() {
        let path = ["users", "hanna", "favorites"];
        for (pattern, expected) in [
            ("favorites", true),
            ("*/favorites", true),
            ("/users/*/favorites", true),
            ("/hanna/favorites", false),
            ("/favorites", false),
            ("/*/users/hanna/favorites", false),
        ] {
            assert_eq!(path_fits(pattern, path.into_iter()), expected, "{pattern}");
        }
    }

    #[test]
    fn an_index_finds_what_fits() {
        let mut index = Index::new();
        for (thing, pattern) in ["*.pst", "library/mail", "*", "*.tar.gz", "x/*.pst"].into_iter().enumerate() {
            index.add(pattern, thing);
        }
        let found = |name| {
            let mut found: Vec<usize> = index.of(name).collect();
            found.sort_unstable();
            found
        };
        assert_eq!(found("choir.pst"), [0, 2, 4]);
        assert_eq!(found("mail"), [1, 2]);
        assert_eq!(found("a.tar.gz"), [2, 3]);
    }
}
