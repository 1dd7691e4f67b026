//! WAV (Microsoft, "WAVEFORMATEX"; EBU Tech 3306 for RF64): a description of the sound, and the sound.

use super::riff::chunk;
use crate::bytes::{array, le_u16, le_u32, le_u64};
use crate::content::formats::{Format, Step, Strength, Subject, broken, unchecked};

pub(super) const FORMATS: &[Format] = &[Format { name: "WAV", endings: &["wav", "wave", "bwf"], opens, check }];

/// The most chunks that are looked at: editors write a few dozen.
const MOST_CHUNKS: usize = 1 << 16;

fn opens(head: &[u8]) -> bool {
    matches!(array::<4>(head, 0).as_ref(), Some(b"RIFF" | b"RF64")) && array::<4>(head, 8) == Some(*b"WAVE")
}

fn check(subject: &Subject<'_>) -> Step<Strength> {
    let mut at = 12_u64;
    let (mut described, mut long) = (false, None);
    for _ in 0..MOST_CHUNKS {
        let Some(found) = chunk(subject, at)? else { break };
        match &found.kind {
            b"ds64" => long = le_u64(&subject.bytes(found.body, 28)?, 8),
            b"fmt " => {
                description(&subject.bytes(found.body, 16)?, found.at)?;
                described = true;
            }
            b"data" => {
                if !described {
                    return broken(found.at, "the sound stands there without its description");
                }
                return data(subject, &found, long);
            }
            _ => {}
        }
        if found.end() > subject.size() {
            return broken(subject.size(), "the file ends before the sound begins");
        }
        at = found.next(subject)?;
    }
    broken(at.min(subject.size()), "there is no sound in it")
}

fn description(fmt: &[u8], at: u64) -> Step<()> {
    // The length of a block follows from the rest for plain sound, and some programs leave it out.
    let [tag, channels, block, bits] = [0, 2, 12, 14].map(|field| le_u16(fmt, field).unwrap_or_default());
    let rate = le_u32(fmt, 4).unwrap_or_default();
    let fits = u32::from(block) == u32::from(channels).saturating_mul(u32::from(bits).div_ceil(8));
    if channels == 0 || rate == 0 || (tag == 1 && block != 0 && !fits) {
        return broken(at, "the description of the sound is impossible");
    }
    Ok(())
}

fn data(subject: &Subject<'_>, data: &super::riff::Chunk, long: Option<u64>) -> Step<Strength> {
    let there = subject.size().saturating_sub(data.body);
    let length = match (u32::try_from(data.length), long) {
        (Ok(u32::MAX), Some(long)) => long,
        // Programs that can't go back to the beginning leave these.
        (Ok(u32::MAX | 0x7fff_ffff | 0x8000_0000 | 0x7fff_f000), None) if data.length > there => {
            return Ok(Strength::Opening);
        }
        (Ok(0), None) if there > 0 && chunk(subject, data.body)?.is_none() => {
            return unchecked("its length was never written: recording was stopped, or it was written into a pipe");
        }
        _ => data.length,
    };
    if length > there {
        let missing = length.saturating_sub(there);
        return broken(subject.size(), format!("the sound ends {missing} bytes too early"));
    }
    // What follows (names, marks, playlists) has to be there, too.
    let mut last = super::riff::Chunk { length, ..*data };
    for _ in 0..MOST_CHUNKS {
        let next = last.next(subject)?;
        let Some(found) = chunk(subject, next)? else { break };
        if found.end() > subject.size() {
            // Names of the tags of other formats stand behind the last chunk.
            let tag = subject.up_to(next, 3)?;
            if tag == b"TAG" || tag == b"ID3" {
                break;
            }
            return broken(subject.size(), "the file ends within what stands behind the sound");
        }
        last = found;
    }
    Ok(Strength::Structure)
}
