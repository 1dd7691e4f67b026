//! People on the screen: what each has, in sentences that can be read aloud, and where it stands.

use std::collections::HashMap;

use jiff::tz::TimeZone;

use super::super::output::Printer;
use super::super::{escape, size};
use super::rows;
use crate::catalog::State;
use crate::error::Result;
use crate::survey::{Cost, FileKind, KindCost, MayBelong, Person, Standing, Survey};

/// Who used a computer, as a sentence. Many people are counted, and not named.
pub(super) fn who(people: &[Person]) -> String {
    let present: Vec<&Person> = people.iter().filter(|person| !person.former).collect();
    let names: Vec<String> = present.iter().map(|person| escape::for_terminal(&person.name).into_owned()).collect();
    match names.len() {
        0 => String::new(),
        1 => format!("One person has folders here: {}.", names.concat()),
        count if count <= NAMED => format!("{count} people have folders here: {}.", enumerated(&names)),
        count => format!("{} people have folders here.", size::grouped(count as u64)),
    }
}

/// Prints the people of a volume. `elsewhere` has what may be theirs on any volume.
pub(super) fn print(
    volume: u32,
    survey: &Survey,
    elsewhere: &[MayBelong],
    zone: &TimeZone,
    printer: &mut Printer<'_>,
) -> Result<()> {
    let mut theirs: HashMap<&str, Vec<&MayBelong>> = HashMap::new();
    for one in elsewhere {
        for whose in one.people.iter().filter(|whose| whose.volume == volume) {
            theirs.entry(&whose.name).or_default().push(one);
        }
    }
    for person in &survey.people {
        printer.line("")?;
        let name = escape::for_terminal(&person.name);
        let former = if person.former { ", of the former Windows" } else { "" };
        printer.line(&format!("{name} ({}){former}", escape::for_terminal(&person.path)))?;
        sentences(person, zone, printer)?;
        places(person, zone, printer)?;
        for one in theirs.get(&*person.name).into_iter().flatten().filter(|_| !person.former) {
            printer.prose(2, &may_be(one, volume, &name, zone))?;
        }
    }
    Ok(())
}

/// So many people are named in one sentence.
const NAMED: usize = 12;

fn sentences(person: &Person, zone: &TimeZone, printer: &mut Printer<'_>) -> Result<()> {
    let tally = &person.tally;
    let files = size::counted(tally.files.count, "file");
    let bytes = size::human(tally.files.bytes);
    let lost = tally.lost_files();
    let sound = match tally.files.count.saturating_sub(lost) {
        _ if lost == 0 => String::new(),
        sound => {
            format!("; {} of them ({}) are not touched", size::grouped(sound), size::share(sound, tally.files.count))
        }
    };
    printer.prose(2, &format!("{files}, {bytes}{}{sound}.", rows::changed(tally, zone)))?;
    let (lost, well): (Vec<&KindCost>, Vec<&KindCost>) = person.kinds.iter().partition(|one| one.cost.lost_files() > 0);
    for one in lost {
        printer.prose(2, &loss(one))?;
    }
    if !well.is_empty() {
        let list: Vec<String> = well.iter().map(|one| kind(one.kind, &one.cost)).collect();
        let count: u64 = well.iter().map(|one| one.cost.files.count).sum();
        let verdict = match () {
            () if tally.state(State::Unproven).count > 0 => "no damage is known, and no map rules it out",
            () if tally.state(State::Locked).count + tally.state(State::Absent).count > 0 => "no damage",
            () if count == 1 => "it is whole",
            () => "all of them are whole",
        };
        printer.prose(2, &format!("{}: {verdict}.", enumerated(&list)))?;
    }
    if person.programs.lost_files() > 0 {
        let lost = size::grouped(person.programs.lost_files());
        printer
            .prose(2, &format!("Of what programs keep for themselves, {lost} files are damaged or not to be found."))?;
    }
    for (state, of_one, of_many) in [
        (
            State::Absent,
            "is, all or in part, only in the cloud: the drive never had it. Signing in there brings it back.",
            "are, all or in part, only in the cloud: the drive never had them. Signing in there brings them back.",
        ),
        (
            State::Locked,
            "is encrypted by Windows: it needs the certificate of the login that encrypted it.",
            "are encrypted by Windows: they need the certificate of the login that encrypted them.",
        ),
    ] {
        match tally.state(state).count {
            0 => {}
            1 => printer.prose(2, &format!("1 file {of_one}"))?,
            count => printer.prose(2, &format!("{} {of_many}", size::counted(count, "file")))?,
        }
    }
    if tally.folders_incomplete > 0 {
        let folders = size::counted(tally.folders_incomplete, "folder");
        printer.prose(2, &format!("{folders} may have lost files of which not even the name is left."))?;
    }
    Ok(())
}

/// `75 pictures (298.3 kB)`.
fn kind(kind: FileKind, cost: &Cost) -> String {
    let count = cost.files.count;
    format!("{} {} ({})", size::grouped(count), kind.noun(count), size::human(cost.files.bytes))
}

/// `2 of 75 pictures (298.3 kB) are damaged; 8.1 kB are missing.`
fn loss(KindCost { kind, cost }: &KindCost) -> String {
    let Cost { files, damaged, unlocated, doubtful, lost_bytes } = *cost;
    let all = format!("{} {} ({})", size::grouped(files.count), kind.noun(files.count), size::human(files.bytes));
    let mut parts = Vec::new();
    for (count, one, many) in [
        (damaged, "is damaged", "are damaged"),
        (unlocated, "can't be found", "can't be found"),
        (doubtful, "is doubtful", "are doubtful"),
    ] {
        if count > 0 {
            let of = if parts.is_empty() { format!(" of {all}") } else { String::new() };
            parts.push(format!("{}{of} {}", size::grouped(count), if count == 1 { one } else { many }));
        }
    }
    let missing = match lost_bytes {
        0 => String::new(),
        bytes => format!("; {} are missing", size::human(bytes)),
    };
    format!("{}{missing}.", parts.join(", "))
}

/// `a, b and c`.
fn enumerated(list: &[String]) -> String {
    match list {
        [] => String::new(),
        [one] => one.clone(),
        [most @ .., last] => format!("{} and {last}", most.join(", ")),
    }
}

fn places(person: &Person, zone: &TimeZone, printer: &mut Printer<'_>) -> Result<()> {
    let mut rows = rows::table("folder");
    let mut empty = Vec::new();
    for place in &person.places {
        let path = place.path.strip_prefix(&person.path).unwrap_or(&place.path).trim_start_matches('/');
        let name = if place.standing == Standing::Rest { format!("{path}, the rest") } else { path.to_string() };
        if place.tally.files.count == 0 && place.tally.folders_incomplete == 0 {
            empty.push(escape::for_terminal(path).into_owned());
        } else {
            rows.row(rows::row(&name, &place.tally, zone));
        }
    }
    for (name, tally) in [("elsewhere in the profile", &person.rest), ("programs' own data", &person.programs)] {
        if tally.files.count > 0 || tally.folders_incomplete > 0 {
            rows.row(rows::row(name, tally, zone));
        }
    }
    if !rows.is_empty() {
        printer.table(rows.without_empty_columns().fitted(rows::DISPENSABLE))?;
    }
    if !empty.is_empty() {
        printer.prose(0, &format!("Empty: {}", empty.join(", ")))?;
    }
    if person.places.iter().any(|place| place.standing == Standing::Moved) {
        printer
            .prose(0, "OneDrive has taken some of the usual folders over: they stand in its tree, and count there.")?;
    }
    Ok(())
}

/// What may be a person's, in careful words.
fn may_be(one: &MayBelong, own_volume: u32, name: &str, zone: &TimeZone) -> String {
    let path = escape::for_terminal(&one.path);
    let place = if one.volume == own_volume { String::new() } else { format!("volume {}, ", one.volume) };
    let files = size::counted(one.tally.files.count, "file");
    let bytes = size::human(one.tally.files.bytes);
    let why = match (one.what, one.people.len()) {
        (None, 1) => "it bears that name",
        (None, _) => "it bears that name, and another person's",
        (Some(_), 1) => "it is named as people's folders are, and nobody else has folders here",
        (Some(_), _) => "it is named as people's folders are; it may as well be another person's",
    };
    let troubles = rows::troubles(&one.tally);
    let troubles = if troubles.is_empty() { String::new() } else { format!(" ({})", troubles.join(", ")) };
    format!(
        "May be {name}'s, too: {place}{path}, {files}, {bytes}{}{troubles}; {why}. Ask.",
        rows::changed(&one.tally, zone)
    )
}
