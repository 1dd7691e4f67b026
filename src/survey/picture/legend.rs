//! Under the drawing: what shades and textures mean, and the volumes one by one.

use super::layout::{LEFT, LINE, NAME, STATES, STRIP, name_of, said, words};
use super::scene::{Anchor, Fill, Ink, Scene, Size};
use super::words::readable;
use super::{Picture, VolumeBytes};
use crate::amount::{counted, human, share};
use crate::sector_map::ByteState;

/// How many volumes are listed.
const LISTED: usize = 40;

/// What the shades and textures mean.
pub(super) fn signs(scene: &mut Scene, picture: &Picture, y: i32) -> i32 {
    const EACH: i32 = STRIP / 4;
    let mut swatch = |at: i32, y: i32, fill: Fill, lines: [String; 2]| {
        let x = LEFT + at * EACH;
        scene.area(x, y, 30, 20, fill);
        scene.frame(x, y, 30, 20, Ink::Black);
        for (line, dy) in lines.into_iter().zip([8, 8 + LINE]) {
            let ink = if dy > 8 { Ink::Grey } else { Ink::Black };
            scene.text((x + 40, y + dy), Anchor::Start, Size::Small, ink, line);
        }
    };
    for (at, state) in STATES.into_iter().enumerate() {
        let bytes = picture.bytes.get(state);
        let amount =
            if bytes == 0 { "none".to_string() } else { format!("{}, {}", human(bytes), share(bytes, picture.length)) };
        swatch(at as i32, y, Fill::State(state), [words(state).to_string(), amount]);
    }
    let mut y = y + 44;
    if let Some(chosen) = &picture.chosen {
        let name = format!("where {} lies", readable(&chosen.name, NAME));
        swatch(0, y, Fill::Chosen, [name, counted(chosen.files, "file")]);
        if chosen.damaged > 0 {
            let count = counted(chosen.damaged, "file");
            swatch(2, y, Fill::ChosenDamaged, ["where the damaged ones of these lie".to_string(), count]);
        }
        y += 44;
    }
    if picture.bytes.unread > 0 {
        let text = "The higher a dark mark, the more of its place could not be read. Even the smallest has a mark, and a \
                    triangle under it.";
        scene.text((LEFT, y + 8), Anchor::Start, Size::Small, Ink::Grey, text);
        y += LINE;
    }
    y
}

/// The volumes one by one, in two columns.
pub(super) fn volumes(scene: &mut Scene, picture: &Picture, y: i32) -> i32 {
    let mut y = y + 6;
    let shown = picture.volumes.len().min(LISTED);
    let rows = if shown > 8 { shown.div_ceil(2) } else { shown };
    for (at, volume) in picture.volumes.iter().take(shown).enumerate() {
        let (column, row) = (at / rows.max(1), at % rows.max(1));
        let place = (LEFT + column as i32 * (STRIP / 2), y + row as i32 * LINE);
        scene.text(place, Anchor::Start, Size::Small, Ink::Black, state_of(volume));
    }
    y += rows as i32 * LINE;
    if picture.volumes.len() > shown {
        let more = format!("... and {}", counted((picture.volumes.len() - shown) as u64, "more volume"));
        scene.text((LEFT, y), Anchor::Start, Size::Small, Ink::Grey, more);
        y += LINE;
    }
    y - LINE / 2
}

/// A volume and what was lost of it.
pub(super) fn state_of(volume: &VolumeBytes) -> String {
    let lost: Vec<String> = STATES[1..]
        .iter()
        .map(|state| (*state, volume.bytes.get(*state)))
        .filter(|(_, bytes)| *bytes > 0)
        .map(|(state, bytes)| said(human(bytes), state))
        .collect();
    let missing = volume.length.saturating_sub(volume.bytes.total());
    let past = (missing > 0).then(|| format!("{} lie after the image's end", human(missing)));
    let lost: Vec<String> = lost.into_iter().chain(past).collect();
    let lost = if lost.is_empty() { "all of it came off the drive".to_string() } else { lost.join(", ") };
    let lost = match volume.bytes.get(ByteState::Unknown) {
        unknown if unknown > 0 && unknown == volume.length => "nobody recorded what of it could be read".to_string(),
        _ => lost,
    };
    let name = name_of(volume);
    format!("Volume {} ({name}, {}): {lost}", volume.number, human(volume.length))
}
