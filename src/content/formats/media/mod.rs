//! Films, sound, packed files and archives of mail.

mod asf;
mod avi;
mod boxes;
mod checksums;
mod codec;
mod dbx;
mod films;
mod flac;
mod fragments;
mod frames;
mod heif;
mod matroska;
mod midi;
mod mp3;
mod ogg;
mod packed;
mod program;
mod pst;
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
    matroska::FORMATS,
    packed::FORMATS,
    pst::FORMATS,
    dbx::FORMATS,
    program::FORMATS,
    transport::FORMATS,
    mp3::FORMATS,
];

/// The formats of this folder that only a name tells.
pub(super) const NAMED: &[&[Format]] = &[transport::NAMED];
