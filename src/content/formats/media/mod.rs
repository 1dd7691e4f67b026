//! Films, sound, packed files and archives of mail.

mod asf;
mod avi;
mod boxes;
mod checksums;
mod codec;
mod films;
mod flac;
mod fragments;
mod frames;
mod heif;
mod midi;
mod mp3;
mod ogg;
mod packed;
mod program;
mod riff;
mod tags;
mod tracks;
mod transport;
mod wav;

use super::Format;

/// The formats of this folder.
pub(super) const FORMATS: &[&[Format]] = &[
    films::FORMATS,
    avi::FORMATS,
    wav::FORMATS,
    flac::FORMATS,
    ogg::FORMATS,
    midi::FORMATS,
    asf::FORMATS,
    packed::FORMATS,
    program::FORMATS,
    transport::FORMATS,
    mp3::FORMATS,
];

/// The formats of this folder that only a name tells.
pub(super) const NAMED: &[&[Format]] = &[transport::NAMED];
