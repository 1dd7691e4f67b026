//! What an argument of the command line names: a path or an address, and on which volume.

use std::fmt;

use super::Role;
use crate::catalog::Catalog;
use crate::error::{Error, Result};

/// What is looked for on a volume.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Target {
    /// A path from the volume's root; it begins with `/`.
    Path(String),
    /// An address by the filesystem's own number, such as `record:68` or `record:68:STREAM`.
    Address(String),
}

impl fmt::Display for Target {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Path(text) | Self::Address(text) => f.write_str(text),
        }
    }
}

/// An argument, taken apart.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Argument {
    /// The volume, if it is named.
    pub volume: Option<u32>,
    /// What is looked for there.
    pub target: Target,
}

impl Argument {
    /// Reads `/Users`, `2:/Users`, `record:68`, `2:record:68` or `record:68:STREAM`.
    ///
    /// # Errors
    /// [`Error::Usage`] for anything else.
    pub fn parse(text: &str) -> Result<Self> {
        let (volume, rest) = match text.split_once(':') {
            Some((number, rest)) if !number.is_empty() && number.bytes().all(|byte| byte.is_ascii_digit()) => {
                let volume = number.parse::<u32>().ok().filter(|number| *number > 0);
                let volume = volume.ok_or_else(|| {
                    Error::Usage(format!("`{number}` in `{text}` is no volume's number; `layout` lists them"))
                })?;
                (Some(volume), rest)
            }
            _ => (None, text),
        };
        let target = if rest.starts_with('/') {
            Target::Path(rest.to_string())
        } else if is_address(rest) {
            Target::Address(rest.to_string())
        } else {
            let stem = volume.map(|volume| format!("{volume}:")).unwrap_or_default();
            return Err(Error::Usage(format!(
                "`{text}` is neither a path nor an address; a path begins with `/`, as in `{stem}/Users`, an address is \
                 one that `list` shows, as in `{stem}record:68`"
            )));
        };
        Ok(Self { volume, target })
    }
}

/// The word of an address, and its number.
fn is_address(text: &str) -> bool {
    let number = text.split(':').nth(1).unwrap_or_default();
    Catalog::is_address(text) && number.parse::<u64>().is_ok()
}

/// What the choice between volumes depends on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Candidate {
    /// The volume's number.
    pub number: u32,
    /// What it is for.
    pub role: Role,
    /// Whether it is read.
    pub readable: bool,
    /// What it is, as a noun with its article.
    pub what: &'static str,
}

/// What a look-up on one volume says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Presence {
    /// It is there, or several names there fit.
    Here,
    /// It isn't. `incomplete` says whether a folder on its way may have lost names.
    Missing {
        /// Whether it may have stood in a folder whose list is not all there.
        incomplete: bool,
    },
}

/// Why no volume could be chosen.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Refusal {
    /// No volume of the image can be read; what they are.
    NoneReadable(Vec<(u32, &'static str)>),
    /// The volume named isn't there; those that are.
    NoSuchVolume {
        /// The number asked for.
        number: u32,
        /// The numbers there are.
        known: Vec<u32>,
    },
    /// The volume named can't be read.
    NotReadable {
        /// Its number.
        number: u32,
        /// What it is.
        what: &'static str,
    },
    /// Several volumes qualify.
    Several {
        /// What was asked for.
        target: String,
        /// Where it is.
        volumes: Vec<u32>,
    },
    /// It is nowhere.
    Missing {
        /// What was asked for.
        target: String,
        /// Whether a folder on its way may have lost names.
        incomplete: bool,
    },
}

impl fmt::Display for Refusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoneReadable(volumes) if volumes.is_empty() => {
                f.write_str("the image has no volume that can be read; `layout` says what was found")
            }
            Self::NoneReadable(volumes) => {
                let list: Vec<String> =
                    volumes.iter().map(|(number, what)| format!("volume {number} is {what}")).collect();
                write!(f, "no volume can be read: {}; `layout` says what to do about each", list.join(", "))
            }
            Self::NoSuchVolume { number, known } => {
                write!(f, "there is no volume {number}; the image has {}", numbers(known))
            }
            Self::NotReadable { number, what } => {
                write!(f, "volume {number} is {what}, which can't be read; `layout` says what to do about it")
            }
            Self::Several { target, volumes } => {
                let forms: Vec<String> = volumes.iter().map(|number| format!("`{number}:{target}`")).collect();
                write!(f, "`{target}` is on several volumes; write {}", forms.join(" or "))
            }
            Self::Missing { target, incomplete: false } => {
                write!(f, "`{target}` is not there; `list` shows what is")
            }
            Self::Missing { target, incomplete: true } => write!(
                f,
                "`{target}` was not found, and a folder on its way has lost names, so it may have been there; `list` \
                 shows what is left"
            ),
        }
    }
}

impl std::error::Error for Refusal {}

fn numbers(known: &[u32]) -> String {
    if known.is_empty() {
        return "none".to_string();
    }
    known.iter().map(u32::to_string).collect::<Vec<_>>().join(", ")
}

/// Chooses the volume that an argument means. A named volume is taken whatever its role. Without a name every readable
/// main volume is asked, and exactly one must have it; the other roles are asked only if there is no main volume at all.
///
/// `look` is called once for each volume asked; an error of its own ends the choice.
///
/// # Errors
/// What `look` returns as an error.
pub fn choose<E>(
    argument: &Argument,
    candidates: &[Candidate],
    mut look: impl FnMut(u32, &Target) -> Result<Presence, E>,
) -> Result<Result<u32, Refusal>, E> {
    let asked: Vec<u32> = match argument.volume {
        Some(number) => match candidates.iter().find(|candidate| candidate.number == number) {
            None => {
                let known = candidates.iter().map(|candidate| candidate.number).collect();
                return Ok(Err(Refusal::NoSuchVolume { number, known }));
            }
            Some(candidate) if !candidate.readable => {
                return Ok(Err(Refusal::NotReadable { number, what: candidate.what }));
            }
            Some(_) => vec![number],
        },
        None => {
            let mains: Vec<&Candidate> = candidates.iter().filter(|one| one.role == Role::Main).collect();
            let pool: Vec<&Candidate> = if mains.is_empty() { candidates.iter().collect() } else { mains };
            let readable: Vec<u32> = pool.iter().filter(|one| one.readable).map(|one| one.number).collect();
            if readable.is_empty() {
                let all = pool.iter().filter(|one| one.role != Role::Reserved).map(|one| (one.number, one.what));
                return Ok(Err(Refusal::NoneReadable(all.collect())));
            }
            readable
        }
    };
    let mut here = Vec::new();
    let mut lost = false;
    for number in asked {
        match look(number, &argument.target)? {
            Presence::Here => here.push(number),
            Presence::Missing { incomplete } => lost |= incomplete,
        }
    }
    let target = argument.target.to_string();
    Ok(match here[..] {
        [] => Err(Refusal::Missing { target, incomplete: lost }),
        [only] => Ok(only),
        _ => Err(Refusal::Several { target, volumes: here }),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parse(text: &str) -> (Option<u32>, Target) {
        let argument = Argument::parse(text).unwrap();
        (argument.volume, argument.target)
    }

    #[test]
    fn arguments_are_taken_apart() {
        let path = |text: &str| Target::Path(text.to_string());
        let address = |text: &str| Target::Address(text.to_string());
        assert_eq!(parse("/"), (None, path("/")));
        assert_eq!(parse("/Users/Ида: notes"), (None, path("/Users/Ида: notes")));
        assert_eq!(parse("2:/Users"), (Some(2), path("/Users")));
        assert_eq!(parse("12:/1:2"), (Some(12), path("/1:2")));
        assert_eq!(parse("record:68"), (None, address("record:68")));
        assert_eq!(parse("2:record:68"), (Some(2), address("record:68")));
        assert_eq!(parse("record:68:Zone.Identifier"), (None, address("record:68:Zone.Identifier")));
        for wrong in
            ["", "Users", "2:", "2:Users", "0:/", "99999999999:/", ":/", "record:", "record:x", "file:3", "2:3:/"]
        {
            let message = Argument::parse(wrong).unwrap_err().to_string();
            assert!(message.contains('`'), "{wrong}: {message}");
        }
    }

    const START: Candidate = Candidate { number: 1, role: Role::Start, readable: true, what: "NTFS" };
    const MAIN: Candidate = Candidate { number: 2, role: Role::Main, readable: true, what: "NTFS" };
    const LOCKED: Candidate = Candidate { number: 3, role: Role::Main, readable: false, what: "a BitLocker volume" };
    const OTHER: Candidate = Candidate { number: 5, role: Role::Main, readable: true, what: "NTFS" };

    fn chosen(text: &str, candidates: &[Candidate], on: &[u32]) -> Result<u32, Refusal> {
        let argument = Argument::parse(text).unwrap();
        choose(&argument, candidates, |number, _| {
            let missing = Presence::Missing { incomplete: number == 5 };
            Ok::<_, ()>(if on.contains(&number) { Presence::Here } else { missing })
        })
        .unwrap()
    }

    #[test]
    fn the_path_decides_which_volume_is_meant() {
        let all = [START, MAIN, LOCKED, OTHER];
        assert_eq!(chosen("/Users", &all, &[1, 5]), Ok(5));
        assert_eq!(chosen("1:/Boot", &all, &[1]), Ok(1));
        let several = chosen("/", &all, &[1, 2, 5]).unwrap_err();
        assert_eq!(several.to_string(), "`/` is on several volumes; write `2:/` or `5:/`");
        assert_eq!(chosen("/", &[START, MAIN, LOCKED], &[1, 2]), Ok(2));
        assert_eq!(chosen("/", &[START], &[1]), Ok(1));
    }

    #[test]
    fn a_refusal_says_which_kind_it_is_and_what_to_do() {
        let all = [START, MAIN, LOCKED, OTHER];
        let missing = |incomplete| Refusal::Missing { target: "/x".to_string(), incomplete };
        assert_eq!(chosen("2:/x", &all, &[]), Err(missing(false)));
        assert_eq!(chosen("/x", &all, &[]), Err(missing(true)));
        assert_eq!(chosen("3:/x", &all, &[]), Err(Refusal::NotReadable { number: 3, what: "a BitLocker volume" }));
        assert_eq!(chosen("9:/", &all, &[]), Err(Refusal::NoSuchVolume { number: 9, known: vec![1, 2, 3, 5] }));
        let locked = chosen("/", &[START, LOCKED], &[1]).unwrap_err();
        assert_eq!(locked, Refusal::NoneReadable(vec![(3, "a BitLocker volume")]));
        assert!(locked.to_string().contains("volume 3 is a BitLocker volume"));
        assert_eq!(chosen("/", &[], &[]), Err(Refusal::NoneReadable(Vec::new())));
    }

    #[test]
    fn an_error_of_the_look_up_ends_the_choice() {
        let argument = Argument::parse("/").unwrap();
        assert_eq!(choose(&argument, &[MAIN], |_, _| Err("gone")), Err("gone"));
    }
}
