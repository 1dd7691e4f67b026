//! What to do next: commands, ready to be typed.

use std::path::Path;

use super::super::output::Printer;
use super::VolumeSurvey;
use crate::error::Result;
use crate::hidden::is_hidden;

/// What a survey knows of its image.
pub(super) struct Known<'a> {
    pub(super) image: &'a Path,
    pub(super) has_map: bool,
    /// Whether paths need the number of their volume before them.
    pub(super) has_several_volumes: bool,
    /// Whether the holes were accounted for already.
    pub(super) holes_shown: bool,
}

pub(super) fn print(known: &Known<'_>, volumes: &[VolumeSurvey<'_>], printer: &mut Printer<'_>) -> Result<()> {
    let image = known.image.to_str().and_then(|image| word(image, true)).unwrap_or_else(|| "IMAGE".to_string());
    let has_loss = volumes.iter().any(|one| one.survey.total.has_loss() || one.survey.lost_records > 0);
    let paths = paths(volumes, known.has_several_volumes);
    printer.line("")?;
    printer.line("What to do next")?;
    let mut say = |sentence: &str, command: String| {
        printer.prose(2, sentence)?;
        printer.line(&format!("    {command}"))
    };
    if !known.has_map {
        say(
            "No map says what the drive gave. Is there a log of the imaging? `--map` takes it. If not, long blank \
             stretches may be holes:",
            format!("handback map suspect {image}"),
        )?;
    } else if has_loss {
        say("While the drive still turns: what to read again from it", format!("handback map wanted {image} {paths}"))?;
        if !known.holes_shown {
            say("Which folders and kinds of files the holes cost most", format!("handback survey {image} --holes"))?;
        }
    }
    let nobody = volumes.iter().all(|one| one.survey.people.is_empty());
    let what = if nobody { "Copy it out" } else { "Copy out what belongs to people, and what else the customer wants" };
    say(what, format!("handback extract {image} {paths} --to DESTINATION"))
}

/// The people's folders, as arguments.
fn paths(volumes: &[VolumeSurvey<'_>], with_numbers: bool) -> String {
    let mut words = Vec::new();
    for volume in volumes {
        let number = if with_numbers { format!("{}:", volume.number) } else { String::new() };
        for person in volume.survey.people.iter().filter(|person| person.tally.files.count > 0) {
            // Names that a shell would take for something else are not put into anybody's mouth.
            let Some(word) = word(&format!("{number}{}", person.path), false) else { return "PATH…".to_string() };
            words.push(word);
        }
        if volume.survey.people.is_empty() {
            words.push(format!("{number}/"));
        }
    }
    if words.len() > MOST_PATHS { "PATH…".to_string() } else { words.join(" ") }
}

/// More paths than this are for people to choose from.
const MOST_PATHS: usize = 6;

/// A word that every common shell takes as it is, quoted if need be; `None` if there is none.
fn word(text: &str, backslash: bool) -> Option<String> {
    let plain = |c: char| c.is_alphanumeric() || "/._-:+,@()&' ".contains(c) || (backslash && c == '\\');
    if text.starts_with('-') || !text.chars().all(|c| plain(c) && !is_hidden(c)) {
        return None;
    }
    let bare = text.chars().all(|c| c.is_alphanumeric() || "/._-:+,@".contains(c) || (backslash && c == '\\'));
    Some(if bare { text.to_string() } else { format!("\"{text}\"") })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_can_not_become_a_command() {
        for (text, expected) in [
            ("/Users/Choir", Some("/Users/Choir")),
            ("/Users/Hanna Alt", Some("\"/Users/Hanna Alt\"")),
            ("/Users/Jörg", Some("/Users/Jörg")),
            ("/Users/$(rm -rf x)", None),
            ("/Users/a\"; b", None),
            ("/Users/`b`", None),
            ("/Users/a\\b", None),
            ("/Users/\u{202E}x", None),
            ("/Users/100%PATH%", None),
        ] {
            assert_eq!(word(text, false).as_deref(), expected, "{text}");
        }
        assert_eq!(word("C:\\images\\disk.img", true).as_deref(), Some("C:\\images\\disk.img"));
        assert_eq!(word("--to", true), None);
    }
}
