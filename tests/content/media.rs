use super::Claim;

/// Ways that leave a picture's or sound's inside damaged and its framework sound.
const INSIDE: &[&str] = &["zeroed sector", "swapped sectors", "foreign 4 KiB", "one bit flipped"];

/// Zeros are silence, a picture's plain corner, or the padding of a disc's sectors.
const INSIDE_AND_TAIL: &[&str] =
    &["zeroed sector", "zeroed tail", "swapped sectors", "foreign 4 KiB", "one bit flipped"];

/// A film that ends between two packets is none the worse for it.
const BETWEEN_PACKETS: &[&str] = &[
    "cut at 10%",
    "cut at 50%",
    "cut at 90%",
    "cut at 99%",
    "zeroed sector",
    "swapped sectors",
    "foreign 4 KiB",
    "one bit flipped",
];

/// Of a text only a stretch of zeros is noticed.
const TEXT: &[&str] =
    &["cut at 10%", "cut at 50%", "cut at 90%", "cut at 99%", "swapped sectors", "foreign 4 KiB", "one bit flipped"];

/// A log may end in zeros that were set aside for it.
const PLAIN: &[&str] = &[
    "cut at 10%",
    "cut at 50%",
    "cut at 90%",
    "cut at 99%",
    "zeroed tail",
    "swapped sectors",
    "foreign 4 KiB",
    "one bit flipped",
];

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
    claim("HEIC/AVIF", INSIDE_AND_TAIL),
    claim("AVI", INSIDE),
    claim("MKV/WebM", INSIDE),
    claim("MPEG-TS", BETWEEN_PACKETS),
    claim("MPEG-PS", INSIDE_AND_TAIL),
    claim("WMV/WMA", INSIDE),
    claim("WAV", INSIDE_AND_TAIL),
    claim("MP3", INSIDE),
    claim("AAC", INSIDE),
    claim("FLAC", &[]),
    claim("OGG", &[]),
    claim("MIDI", INSIDE),
    claim("GZIP", &[]),
    claim("XZ", INSIDE),
    claim("BZIP2", ALL_BUT_THE_HEADER),
    // Much of an empty one is free space; `what_a_mail_store_vouches_for` has what is used.
    claim("PST", &["zeroed sector", "zeroed tail", "swapped sectors", "foreign 4 KiB", "one bit flipped"]),
    claim("DBX", ALL_BUT_THE_HEADER),
    claim("text", PLAIN),
    claim("XML", TEXT),
    claim("HTML", TEXT),
    claim("JSON", TEXT),
    claim("RTF", TEXT),
    claim("iCalendar", TEXT),
    claim("vCard", TEXT),
    claim("MBOX", TEXT),
    claim("EML", TEXT),
];

/// The bytes of a mail store that its own map calls used, and what comes of changing them, one at a time.
#[test]
fn what_a_mail_store_vouches_for() {
    use handback::content::formats::{Opens, examine};

    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/test-images/content/samples/empty.pst");
    let mut bytes = std::fs::read(path).expect("the sample is there");
    let opens = |bytes: &Vec<u8>| examine("a.pst", bytes, &()).expect("in memory").opens;
    assert_eq!(opens(&bytes), Opens::Sound);
    // [MS-PST] 2.2.2.7.2: the map at 4400h has a bit for each 64 bytes from itself on, the highest first.
    let map = bytes[0x4400..0x4400 + 496].to_vec();
    let used: Vec<usize> = (0..496 * 8).filter(|bit| map[bit / 8] & (0x80 >> (bit % 8)) != 0).collect();
    let (mut noticed, mut tried) = (0, 0);
    for unit in used {
        let at = 0x4400 + unit * 64 + unit % 64;
        if at >= bytes.len() {
            continue;
        }
        tried += 1;
        bytes[at] ^= 0x10;
        noticed += usize::from(opens(&bytes) == Opens::Broken);
        bytes[at] ^= 0x10;
    }
    assert!(tried > 100 && noticed * 10 >= tried * MAIL_STORE_TENTHS, "{noticed} of {tried} are noticed");
}

/// The rest is padding of blocks, and pages that repeat what others say.
const MAIL_STORE_TENTHS: usize = 8;
