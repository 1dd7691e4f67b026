use super::Claim;

/// Ways that leave a picture's or sound's inside damaged and its framework sound.
const INSIDE: &[&str] = &["zeroed sector", "swapped sectors", "foreign 4 KiB", "one bit flipped"];

/// Of a text only a stretch of zeros is noticed.
const TEXT: &[&str] =
    &["cut at 10%", "cut at 50%", "cut at 90%", "cut at 99%", "swapped sectors", "foreign 4 KiB", "one bit flipped"];

const ALL_BUT_THE_HEADER: &[&str] = &[
    "cut at 10%",
    "cut at 50%",
    "cut at 90%",
    "cut at 99%",
    "zeroed sector",
    "zeroed tail",
    "swapped sectors",
    "foreign 4 KiB",
    "one bit flipped",
];

const fn claim(format: &'static str, may_miss: &'static [&'static str]) -> Claim {
    Claim { format, may_miss }
}

pub(super) const CLAIMS: &[Claim] = &[
    claim("MP4/MOV", INSIDE),
    claim("HEIC/AVIF", INSIDE),
    claim("AVI", INSIDE),
    claim("MKV/WebM", INSIDE),
    claim("MPEG-TS", INSIDE),
    claim("MPEG-PS", INSIDE),
    claim("WMV/WMA", INSIDE),
    claim("WAV", INSIDE),
    claim("MP3", INSIDE),
    claim("AAC", INSIDE),
    claim("FLAC", &[]),
    claim("OGG", &[]),
    claim("MIDI", INSIDE),
    claim("GZIP", &[]),
    claim("XZ", INSIDE),
    claim("BZIP2", ALL_BUT_THE_HEADER),
    claim("PST", ALL_BUT_THE_HEADER),
    claim("DBX", ALL_BUT_THE_HEADER),
    claim("text", TEXT),
    claim("XML", TEXT),
    claim("HTML", TEXT),
    claim("JSON", TEXT),
    claim("RTF", TEXT),
    claim("iCalendar", TEXT),
    claim("vCard", TEXT),
    claim("MBOX", TEXT),
    claim("EML", TEXT),
];
