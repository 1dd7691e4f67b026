//! The picture as text: one line for the image, one for its volumes, one for chosen files, and what the signs mean.
//! The signs are ASCII, so that every terminal has them.

use super::layout::{STATES, chosen_sentence, sentence, words};
use super::legend::state_of;
use super::{Column, Here, Picture, VolumeBytes};
use crate::sector_map::ByteState;

/// The sign of a column: the worst that is in it.
fn sign(column: &Column) -> char {
    let total = column.bytes.total();
    let half = |state| column.bytes.get(state) >= total - column.bytes.get(state);
    if column.bytes.unread > 0 {
        match column.bytes.unread {
            _ if half(ByteState::Unread) => '#',
            unread if unread < total / 100 => ':',
            _ => '!',
        }
    } else if column.bytes.unreached > 0 && (half(ByteState::Unreached) || column.bytes.unknown == 0) {
        '~'
    } else if column.bytes.unknown > 0 {
        '.'
    } else {
        '_'
    }
}

pub(super) fn draw(picture: &Picture) -> Vec<String> {
    let columns = &picture.strip.columns;
    let mut lines = vec![sentence(picture)];
    if columns.is_empty() {
        return lines;
    }
    lines.push(String::new());
    lines.extend(brackets(picture));
    lines.push(columns.iter().map(sign).collect());
    if picture.chosen.is_some() {
        let mark = |column: &Column| match column.chosen {
            Here::Nothing => ' ',
            Here::Sound => '^',
            Here::Damaged => 'X',
        };
        let line: String = columns.iter().map(mark).collect();
        lines.push(line.trim_end().to_string());
    }
    lines.push(String::new());
    for state in STATES.into_iter().filter(|state| picture.bytes.get(*state) > 0) {
        match state {
            ByteState::Unread => {
                for (mark, meaning) in [
                    (':', "a little of it could not be read, under 1 %"),
                    ('!', "a part of it could not be read"),
                    ('#', "half of it or more could not be read"),
                ] {
                    if columns.iter().any(|column| sign(column) == mark) {
                        lines.push(format!("  {mark}  {meaning}"));
                    }
                }
            }
            ByteState::Read => lines.push(format!("  _  {}", words(state))),
            ByteState::Unreached => lines.push(format!("  ~  {}", words(state))),
            ByteState::Unknown => lines.push(format!("  .  {}", words(state))),
        }
    }
    if let Some(chosen) = chosen_sentence(picture) {
        lines.push(format!("  ^  {chosen}"));
        if columns.iter().any(|column| column.chosen == Here::Damaged) {
            lines.push("  X  damaged files of these".to_string());
        }
    }
    if !picture.volumes.is_empty() {
        lines.push(String::new());
    }
    lines.extend(picture.volumes.iter().map(|volume| format!("  {}", state_of(volume))));
    lines
}

/// A line of brackets with the volumes' numbers; `None` without a volume.
fn brackets(picture: &Picture) -> Option<String> {
    let columns = picture.strip.columns.len();
    let column = |byte: u64| {
        let at = u128::from(byte.min(picture.length)) * columns as u128 / u128::from(picture.length.max(1));
        at as usize
    };
    let mut line = vec![' '; columns];
    for volume in &picture.volumes {
        let VolumeBytes { number, start, length, .. } = volume;
        let first = column(*start).min(columns - 1);
        let last = column(start.saturating_add(*length)).saturating_sub(1).clamp(first, columns - 1);
        let number = number.to_string();
        let room = last - first + 1;
        for (at, slot) in line[first..=last].iter_mut().enumerate() {
            *slot = match at {
                0 if room == 1 => '|',
                0 => '<',
                at if at == room - 1 => '>',
                _ => '=',
            };
        }
        if room >= number.len() + 2 {
            for (slot, digit) in line[first + 1..].iter_mut().zip(number.chars()) {
                *slot = digit;
            }
        } else if room == number.len() {
            for (slot, digit) in line[first..].iter_mut().zip(number.chars()) {
                *slot = digit;
            }
        }
    }
    (!picture.volumes.is_empty()).then(|| line.into_iter().collect::<String>().trim_end().to_string())
}
