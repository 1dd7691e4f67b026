use super::Claim;

/// Every byte of a member is proven by its checksum, and every header by the list.
const NOTHING: &[&str] = &[];

/// Without checksums what is changed within the content is not noticed, as long as nothing that leads to it is.
const WITHIN: &[&str] = &["zeroed sector", "swapped sectors", "foreign 4 KiB", "one bit flipped"];

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
    claim("cabinet", NOTHING),
    claim("PDF", WITHIN),
    claim("Word 97 document", WITHIN),
    claim("Excel 97 table", WITHIN),
    claim("PowerPoint 97 slides", WITHIN),
    claim("SQLite database", WITHIN),
    claim("7z archive", WITHIN),
    claim("RAR archive", WITHIN),
    claim("disc image", WITHIN),
    claim("TAR archive", WITHIN),
];
