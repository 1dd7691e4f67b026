//! Patterns for names and paths of the image, as `--match` and `--exclude` take them.
//!
//! `*` stands for any signs but `/`, `?` for one, `**` between slashes for any folders, `[a-z]` for one of some signs,
//! `{jpg,png}` for one of some texts; `\` takes the sign after it as it is. A pattern without `/` is held against the
//! name alone. One that begins with `/` is held against the whole path from the volume's root; any other with a `/`
//! against the end of the path. Case counts only where the filesystem makes a difference.

use std::str::FromStr;

use super::glob::Glob;
use crate::handover::Patterns;

/// The longest pattern that is taken, in bytes: more than any path that people type, and short enough that its steps
/// can be followed one from the other.
const LONGEST: usize = 4096;

/// One pattern.
#[derive(Debug, Clone)]
pub(in crate::cli) struct Pattern {
    text: String,
    is_path: bool,
    glob: Glob,
}

/// A pattern for the command line's parser.
pub(in crate::cli) fn parse(text: &str) -> Result<Pattern, String> {
    text.parse()
}

impl FromStr for Pattern {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        if text.is_empty() || text.len() > LONGEST {
            return Err("a pattern is a text such as `*.jpg`".to_string());
        }
        let is_path = text.contains('/');
        let whole = match is_path && !text.starts_with('/') && !text.starts_with("**/") {
            true => format!("**/{text}"),
            false => text.to_string(),
        };
        let glob = Glob::new(&whole).map_err(|why| format!("this is no pattern: {why}"))?;
        Ok(Self { text: text.to_string(), is_path, glob })
    }
}

impl Pattern {
    /// As it was written.
    pub(super) fn text(&self) -> &str {
        &self.text
    }

    fn fits(&self, name: &str, path: &str, case_counts: bool) -> bool {
        self.glob.fits(if self.is_path { path } else { name }, case_counts)
    }
}

/// Several, of which one must fit.
pub(super) struct Any(pub(super) Vec<Pattern>);

impl Patterns for Any {
    fn need_path(&self) -> bool {
        self.0.iter().any(|pattern| pattern.is_path)
    }

    fn fit(&self, name: &str, path: &str, case_counts: bool) -> bool {
        self.0.iter().any(|pattern| pattern.fits(name, path, case_counts))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fits(pattern: &str, path: &str) -> bool {
        let name = path.rsplit('/').next().unwrap();
        parse(pattern).unwrap().fits(name, path, false)
    }

    #[test]
    fn a_name_is_held_against_the_name_and_a_path_against_the_path() {
        let path = "/Users/Choir/Pictures/Concert 2009/IMG_0487.jpg";
        for pattern in [
            "*.jpg",
            "IMG_*",
            "img_????.JPG",
            "IMG_[0-9]*",
            "*.{png,jpg}",
            "/Users/*/Pictures/**",
            "/users/choir/**/*.jpg",
            "Pictures/**/*.jpg",
            "Concert 2009/*",
            "**/IMG_0487.jpg",
            "**",
        ] {
            assert!(fits(pattern, path), "{pattern}");
        }
        for pattern in [
            "*.jp",
            "MG_*",
            "Pictures",
            "/Pictures/**",
            "/Users/*.jpg",
            "Choir/*.jpg",
            "Users/Choir",
            "IMG_[!0-9]*",
            "Concert*",
        ] {
            assert!(!fits(pattern, path), "{pattern}");
        }
    }

    #[test]
    fn signs_can_be_taken_as_they_are() {
        assert!(fits(r"song \[1\].mp3", "/song [1].mp3") && !fits(r"song \[1\].mp3", "/song 1.mp3"));
        assert!(fits("song [[]1].mp3", "/song [1].mp3"));
        assert!(fits(r"what\?.txt", "/what?.txt") && !fits(r"what\?.txt", "/whats.txt"));
        assert!(fits("caf?.txt", "/café.txt"), "one sign is one letter, not one byte");
        assert!(fits("ÄRGER*", "/ärger.txt"));
    }

    #[test]
    fn case_counts_where_the_filesystem_makes_a_difference() {
        let pattern = parse("*.jpg").unwrap();
        assert!(pattern.fits("A.JPG", "", false) && !pattern.fits("A.JPG", "", true));
        assert!(pattern.fits("A.jpg", "", true));
    }

    #[test]
    fn what_is_no_pattern_is_said() {
        for wrong in ["", "[", "a{b", "[z-a]", "a\\"] {
            assert!(parse(wrong).is_err(), "{wrong}");
        }
        assert!(Any(vec![parse("*.jpg").unwrap(), parse("a/b").unwrap()]).need_path());
        assert!(!Any(vec![parse("*.jpg").unwrap()]).need_path());
    }
}
