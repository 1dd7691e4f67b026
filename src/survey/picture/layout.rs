//! The drawing: where everything stands.

use super::labels::{self, ROWS};
use super::legend;
use super::scene::{Anchor, FLAG, Fill, Ink, Scene, Size};
use super::words::readable;
use super::{COLUMNS, Column, Enlarged, Here, Picture, Strip, VolumeBytes};
use crate::amount::{counted, human, share};
use crate::sector_map::ByteState;

/// The drawing's width, and where the strip begins, in units.
const WIDTH: i32 = 1200;
pub(super) const LEFT: i32 = 40;
/// The strip's width.
pub(super) const STRIP: i32 = COLUMNS as i32;
/// How high the strip is, and an enlarged one.
const HIGH: i32 = 56;
const ENLARGED_HIGH: i32 = 40;
/// The least height of a state that is in a column at all, as a part of the strip's height.
const LEAST: i32 = 4;
/// The least width of what would not come.
const THIN: i32 = 3;
/// Room under a strip for the flags, and for where chosen files lie.
const FLAGS: i32 = 12;
const CHOSEN: i32 = 12;
/// A line of small letters.
pub(super) const LINE: i32 = 17;
/// Characters of a name.
pub(super) const NAME: usize = 48;
const LABEL: usize = 20;

/// What each state is called, in words that everybody understands.
pub(super) fn words(state: ByteState) -> &'static str {
    match state {
        ByteState::Read => "came off the drive",
        ByteState::Unread => "could not be read",
        ByteState::Unreached => "was not tried",
        ByteState::Unknown => "nobody knows",
    }
}

/// A state of an amount, as a part of a sentence.
pub(super) fn said(amount: String, state: ByteState) -> String {
    match state {
        ByteState::Unknown => format!("{} of {amount}", words(state)),
        _ => format!("{amount} {}", words(state)),
    }
}

/// The states from the best to the one that is least known.
pub(super) const STATES: [ByteState; 4] =
    [ByteState::Read, ByteState::Unread, ByteState::Unreached, ByteState::Unknown];

/// The picture in a sentence.
pub(super) fn sentence(picture: &Picture) -> String {
    let mut parts = Vec::new();
    for state in STATES {
        let bytes = picture.bytes.get(state);
        if bytes > 0 {
            let where_ = match (state, picture.holes) {
                (ByteState::Unread, holes) => format!(", in {}", counted(holes, "place")),
                _ => String::new(),
            };
            let amount = format!("{} ({})", human(bytes), share(bytes, picture.length));
            parts.push(format!("{}{where_}", said(amount, state)));
        }
    }
    if picture.length > 0 && picture.bytes.get(ByteState::Unknown) == picture.length {
        return format!("Nobody recorded which of these {} could be read.", human(picture.length));
    }
    if parts.is_empty() {
        return "The image is empty.".to_string();
    }
    format!("Of {}: {}.", human(picture.length), parts.join("; "))
}

/// The chosen files in a sentence.
pub(super) fn chosen_sentence(picture: &Picture) -> Option<String> {
    let chosen = picture.chosen.as_ref()?;
    let damaged = match chosen.damaged {
        0 => "none of them has lost anything".to_string(),
        count if count == chosen.files => format!("{count} damaged"),
        count => format!("{count} of them damaged"),
    };
    Some(format!("{}: {}, {damaged}", readable(&chosen.name, NAME), counted(chosen.files, "file")))
}

/// A volume in a few words.
pub(super) fn name_of(volume: &VolumeBytes) -> String {
    let label = volume.label.as_deref().map(|label| format!(" \"{}\"", readable(label, LABEL))).unwrap_or_default();
    format!("{}{label}", readable(&volume.what, NAME))
}

pub(super) fn scene(picture: &Picture) -> Scene {
    let title = format!("What came off the drive: {}", readable(&picture.name, NAME));
    let mut scene =
        Scene { width: WIDTH, height: 0, title: title.clone(), description: sentence(picture), shapes: Vec::new() };
    let mut y = 32;
    scene.text((LEFT, y), Anchor::Start, Size::Large, Ink::Black, title);
    y += 22;
    scene.text((LEFT, y), Anchor::Start, Size::Small, Ink::Black, sentence(picture));
    y = volumes(&mut scene, picture, y + 14);
    y = ruler(&mut scene, &picture.strip, y);
    let top = y;
    strip(&mut scene, &picture.strip, LEFT, top, STRIP, HIGH);
    y += HIGH + FLAGS;
    if picture.chosen.is_some() {
        chosen(&mut scene, &picture.strip, LEFT, y, STRIP);
        y += CHOSEN + 4;
    }
    if !picture.enlarged.is_empty() {
        y = enlarged(&mut scene, picture, top, y);
    }
    y = legend::signs(&mut scene, picture, y + 20);
    y = legend::volumes(&mut scene, picture, y + 10);
    scene.height = y + 12;
    scene
}

/// Where a byte of a strip stands.
fn x_of(strip: &Strip, left: i32, width: i32, byte: u64) -> i32 {
    let length = strip.range.end.saturating_sub(strip.range.start).max(1);
    let inside = byte.clamp(strip.range.start, strip.range.end) - strip.range.start;
    left + (i128::from(inside) * i128::from(width) / i128::from(length)) as i32
}

/// Brackets over the strip, with their names.
fn volumes(scene: &mut Scene, picture: &Picture, y: i32) -> i32 {
    let edges = |volume: &VolumeBytes| {
        let start = x_of(&picture.strip, LEFT, STRIP, volume.start);
        let end = x_of(&picture.strip, LEFT, STRIP, volume.start.saturating_add(volume.length));
        (start, end.max(start + 2))
    };
    let places: Vec<(i32, Vec<String>)> = picture
        .volumes
        .iter()
        .map(|volume| {
            let short = format!("{} {}", volume.number, readable(&volume.what, LABEL));
            (edges(volume).0, vec![format!("{} {}", volume.number, name_of(volume)), short, volume.number.to_string()])
        })
        .collect();
    let placed = labels::place(&places, LEFT + STRIP, |text| Size::Small.width(text));
    let rows = placed.iter().flatten().map(|one| one.row + 1).max().unwrap_or(0).min(ROWS) as i32;
    let bracket = y + rows * LINE + 6;
    for (volume, label) in picture.volumes.iter().zip(placed) {
        let (start, end) = edges(volume);
        scene.line((start, bracket), (end, bracket), Ink::Black);
        let mut up = bracket;
        if let Some(label) = label {
            let base = bracket - 6 - label.row as i32 * LINE;
            up = base - 9;
            scene.text((label.x, base), Anchor::Start, Size::Small, Ink::Black, label.text);
        }
        scene.line((start, up), (start, bracket + 7), Ink::Black);
        scene.line((end, bracket), (end, bracket + 7), Ink::Black);
    }
    bracket + 10
}

/// The scale over the strip.
fn ruler(scene: &mut Scene, strip: &Strip, y: i32) -> i32 {
    let length = strip.range.end;
    let base = y + 12;
    for at in ticks(length, 10) {
        let x = x_of(strip, LEFT, STRIP, at);
        scene.line((x, base + 4), (x, base + 10), Ink::Grey);
        let text = if at == 0 { "0".to_string() } else { human(at).replace(".0 ", " ") };
        let anchor = if x + 40 > LEFT + STRIP { Anchor::End } else { Anchor::Middle };
        scene.text((x, base), anchor, Size::Small, Ink::Grey, text);
    }
    base + 11
}

/// Round numbers up to `length`, `most` at the most beside 0.
fn ticks(length: u64, most: u64) -> Vec<u64> {
    let steps = (0..20).flat_map(|power| [1, 2, 5].map(|one| one * 10_u64.pow(power).min(u64::MAX / 5)));
    let step = steps.into_iter().find(|step| length / step <= most).unwrap_or(length.max(1));
    (0..=length / step).map(|count| count * step).collect()
}

/// What is drawn of a column, from the ground up: states and their heights, `read` above all.
fn heights(column: &Column, high: i32) -> [(ByteState, i32); 3] {
    let total = column.bytes.total().max(1);
    let mut left = high;
    [ByteState::Unread, ByteState::Unreached, ByteState::Unknown].map(|state| {
        let bytes = column.bytes.get(state);
        let share = (i128::from(bytes) * i128::from(high) / i128::from(total)) as i32;
        // However little it is, it can be seen.
        let height = if bytes == 0 { 0 } else { share.max(high / LEAST).min(left) };
        left -= height;
        (state, height)
    })
}

/// A strip with its frame and the flags under it.
fn strip(scene: &mut Scene, strip: &Strip, left: i32, top: i32, width: i32, high: i32) {
    scene.area(left, top, width, high, Fill::State(ByteState::Read));
    let edge = |at: usize| left + (at as i64 * i64::from(width) / strip.columns.len().max(1) as i64) as i32;
    let drawn: Vec<_> = strip.columns.iter().map(|column| heights(column, high)).collect();
    // What would not come is drawn last, so that widening it covers and is not covered.
    for layer in (0..3).rev() {
        let mut at = 0;
        while at < drawn.len() {
            let look = drawn[at];
            let mut next = at + 1;
            while drawn.get(next) == Some(&look) {
                next += 1;
            }
            let (state, height) = look[layer];
            let ground: i32 = look[..layer].iter().map(|(_, height)| height).sum();
            let (start, mut end) = (edge(at), edge(next));
            if state == ByteState::Unread {
                end = end.max(start + THIN);
            }
            scene.area(start, top + high - ground - height, end.min(left + width) - start, height, Fill::State(state));
            at = next;
        }
    }
    scene.frame(left, top, width, high, Ink::Black);
    // One flag for what lies close together.
    let mut last = i32::MIN;
    let mut at = 0;
    while at < strip.columns.len() {
        let run = strip.columns[at..].iter().take_while(|column| column.bytes.unread > 0).count();
        let x = i32::midpoint(edge(at), edge(at + run).max(edge(at) + THIN));
        if run > 0 && x >= last.saturating_add(2 * FLAG.0) {
            scene.flag(x, top + high + 2);
            last = x;
        }
        at += run.max(1);
    }
    inscribe(scene, strip, left, top, width, high);
}

/// Words in the widest stretch of each state.
fn inscribe(scene: &mut Scene, strip: &Strip, left: i32, top: i32, width: i32, high: i32) {
    for state in STATES {
        let mut widest = 0..0;
        let mut start = 0;
        for (at, column) in strip.columns.iter().enumerate() {
            if column.bytes.get(state) < column.bytes.total() {
                start = at + 1;
            } else if at + 1 - start > widest.len() {
                widest = start..at + 1;
            }
        }
        let edge = |at: usize| left + (at as i64 * i64::from(width) / strip.columns.len().max(1) as i64) as i32;
        let text = words(state);
        let room = Size::Small.width(text) + 12;
        let (start, end) = (edge(widest.start), edge(widest.end));
        if end - start > room + 20 {
            let middle = i32::midpoint(start, end);
            // On a texture, words need paper.
            let plain = state == ByteState::Read;
            if !plain {
                scene.area(middle - room / 2, top + high / 2 - 10, room, 19, Fill::Paper);
            }
            let ink = if plain { Ink::Grey } else { Ink::Black };
            scene.text((middle, top + high / 2 + 4), Anchor::Middle, Size::Small, ink, text);
        }
    }
}

/// Where the chosen files lie, under a strip: thin where nothing is lost, full where something is.
fn chosen(scene: &mut Scene, strip: &Strip, left: i32, top: i32, width: i32) {
    let edge = |at: usize| left + (at as i64 * i64::from(width) / strip.columns.len().max(1) as i64) as i32;
    scene.line((left, top + CHOSEN), (left + width, top + CHOSEN), Ink::Grey);
    for (here, height, fill) in [(Here::Sound, CHOSEN / 2, Fill::Chosen), (Here::Damaged, CHOSEN, Fill::ChosenDamaged)]
    {
        let mut at = 0;
        while at < strip.columns.len() {
            let mut next = at + 1;
            if strip.columns[at].chosen == here {
                while strip.columns.get(next).is_some_and(|column| column.chosen == here) {
                    next += 1;
                }
                let (start, end) = (edge(at), edge(next));
                let end = end.max(start + THIN).min(left + width);
                scene.area(start, top + CHOSEN - height, end - start, height, fill);
            }
            at = next;
        }
    }
}

/// The enlarged places in one row under the strip, and lines that show where they come from.
fn enlarged(scene: &mut Scene, picture: &Picture, top: i32, y: i32) -> i32 {
    const GAP: i32 = 32;
    let count = picture.enlarged.len() as i32;
    let width = (STRIP - 2 * GAP) / 3;
    let place = y + 34;
    let mut bottom = place;
    for (at, one) in picture.enlarged.iter().enumerate() {
        // One stands under its place, as far as there is room; several share the width.
        let from = x_of(&picture.strip, LEFT, STRIP, one.start);
        let to = x_of(&picture.strip, LEFT, STRIP, one.start + one.length).max(from + THIN);
        let left = match count {
            1 => (i32::midpoint(from, to) - width / 2).clamp(LEFT, LEFT + STRIP - width),
            2 => LEFT + at as i32 * (STRIP - width),
            _ => LEFT + at as i32 * (width + GAP),
        };
        let under = top + HIGH + 2 + FLAG.1;
        let middle = i32::midpoint(from, to);
        scene.line((from.min(middle - FLAG.0), under), (left, place), Ink::Grey);
        scene.line((to.max(middle + FLAG.0), under), (left + width, place), Ink::Grey);
        strip(scene, &one.strip, left, place, width, ENLARGED_HIGH);
        let mut under = place + ENLARGED_HIGH + FLAGS;
        if picture.chosen.is_some() {
            chosen(scene, &one.strip, left, under, width);
            under += CHOSEN + 4;
        }
        for line in caption(picture, one) {
            under += LINE;
            scene.text((left, under), Anchor::Start, Size::Small, Ink::Black, line);
        }
        bottom = bottom.max(under);
    }
    bottom
}

/// What stands under an enlarged place.
fn caption(picture: &Picture, one: &Enlarged) -> Vec<String> {
    let volume = one.volume.and_then(|number| picture.volumes.iter().find(|volume| volume.number == number));
    let place = match volume {
        Some(volume) => format!(", in volume {}", volume.number),
        None => ", outside of the volumes".to_string(),
    };
    let times = picture.length / one.length.max(1);
    let unread = format!("{} of these {} {}", human(one.bytes.unread), human(one.length), words(ByteState::Unread));
    vec![format!("{} from the start{place}", human(one.start)), unread, format!("enlarged {}", counted(times, "time"))]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::survey::picture::StateBytes;

    #[test]
    fn a_scale_has_round_numbers() {
        assert_eq!(ticks(100_663_296, 10), (0..=10).map(|at| at * 10_000_000).collect::<Vec<_>>());
        assert_eq!(ticks(500_107_862_016, 10).last(), Some(&500_000_000_000));
        assert_eq!(ticks(7, 10), [0, 1, 2, 3, 4, 5, 6, 7]);
        assert_eq!(ticks(0, 10), [0]);
        assert!(ticks(u64::MAX, 10).len() <= 11);
    }

    #[test]
    fn the_smallest_hole_can_be_seen_and_the_largest_fills_its_column() {
        let column = |read, unread, unreached| Column {
            bytes: StateBytes { read, unread, unreached, unknown: 0 },
            chosen: Here::Nothing,
        };
        assert_eq!(heights(&column(400_000_000, 1, 0), 56)[0], (ByteState::Unread, 14));
        assert_eq!(heights(&column(0, 512, 0), 56)[0], (ByteState::Unread, 56));
        assert_eq!(heights(&column(1, 1, 2), 56).map(|(_, height)| height), [14, 28, 0]);
        assert_eq!(heights(&column(0, 1000, 1), 56).map(|(_, height)| height), [55, 1, 0]);
        assert_eq!(heights(&column(9, 0, 0), 56).map(|(_, height)| height), [0, 0, 0]);
    }
}
