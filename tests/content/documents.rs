use super::Claim;

/// Every byte of a member is proven by its checksum, and every header by the list.
const NOTHING: &[&str] = &[];

/// Without checksums what is changed within the content is not noticed, as long as nothing that leads to it is.
const WITHIN: &[&str] = &["zeroed sector", "swapped sectors", "foreign 4 KiB", "one bit flipped"];

/// Nor what is lost at the end, where there may be nothing but filling.
const WITHIN_AND_END: &[&str] =
    &["cut at 99%", "zeroed tail", "zeroed sector", "swapped sectors", "foreign 4 KiB", "one bit flipped"];

const WITHIN_AND_TAIL: &[&str] =
    &["zeroed tail", "zeroed sector", "swapped sectors", "foreign 4 KiB", "one bit flipped"];

const fn claim(format: &'static str, may_miss: &'static [&'static str]) -> Claim {
    Claim { format, may_miss }
}

pub(super) const CLAIMS: &[Claim] = &[
    claim("ZIP archive", NOTHING),
    claim("Word document", NOTHING),
    claim("Excel table", NOTHING),
    claim("PowerPoint slides", NOTHING),
    claim("OpenDocument text", NOTHING),
    claim("OpenDocument table", NOTHING),
    claim("OpenDocument slides", NOTHING),
    claim("OpenDocument drawing", NOTHING),
    claim("EPUB book", NOTHING),
    claim("XPS document", NOTHING),
    claim("music score", NOTHING),
    claim("map places", NOTHING),
    claim("iWork document", NOTHING),
    // Its checksum adds words up in any order.
    claim("cabinet", &["swapped sectors"]),
    claim("PDF", WITHIN),
    claim("Word 97 document", WITHIN_AND_END),
    claim("Excel 97 table", WITHIN_AND_END),
    claim("PowerPoint 97 slides", WITHIN_AND_END),
    claim("SQLite database", WITHIN),
    claim("7z archive", WITHIN),
    claim("RAR archive", WITHIN_AND_END),
    claim("disc image", WITHIN_AND_TAIL),
    claim("TAR archive", WITHIN_AND_END),
];
