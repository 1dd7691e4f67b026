//! Sizes as people write and read them.
//!
//! Printed sizes are decimal, as on a drive's label (1 kB = 1000 bytes), and the exact number of bytes stands beside
//! them wherever somebody may count on it.

pub(super) use crate::amount::{counted, grouped, grouped_onto, human, share};

/// What may stand after a number, in lower case, and how many bytes it is.
const SUFFIXES: [(&str, u64); 12] = [
    ("", 1),
    ("b", 1),
    ("bytes", 1),
    ("kb", 1000),
    ("mb", 1_000_000),
    ("gb", 1_000_000_000),
    ("tb", 1_000_000_000_000),
    ("kib", 1 << 10),
    ("mib", 1 << 20),
    ("gib", 1 << 30),
    ("tib", 1 << 40),
    ("pb", 1_000_000_000_000_000),
];

/// Both: `250.0 GB (250,059,350,016 bytes)`.
pub(super) fn both(bytes: u64) -> String {
    if bytes < 1000 { human(bytes) } else { format!("{} ({} bytes)", human(bytes), grouped(bytes)) }
}

/// Reads a size: `1048576`, `0x100000`, `500GB`, `1.5 TB`, `4KiB`. For the command line's parser.
pub(super) fn parse(text: &str) -> Result<u64, String> {
    let wrong = || {
        format!(
            "`{text}` is not a size; write bytes (`1048576`, `0x100000`) or a unit as on the label (`500GB`, `4KiB`)"
        )
    };
    if let Some(hex) = text.strip_prefix("0x").or_else(|| text.strip_prefix("0X")) {
        return if hex.starts_with('+') { Err(wrong()) } else { u64::from_str_radix(hex, 16).map_err(|_| wrong()) };
    }
    let end = text.find(|c: char| !c.is_ascii_digit() && c != '.').unwrap_or(text.len());
    let (number, suffix) = text.split_at(end);
    let suffix = suffix.trim().to_ascii_lowercase();
    let unit = SUFFIXES.iter().find(|(name, _)| *name == suffix).ok_or_else(wrong)?.1;
    let (whole, fraction) = number.split_once('.').unwrap_or((number, ""));
    if whole.is_empty() || fraction.len() > 3 || fraction.contains('.') || (unit == 1 && number.contains('.')) {
        return Err(wrong());
    }
    let thousandths = format!("{fraction:0<3}").parse::<u64>().map_err(|_| wrong())?;
    let part = u128::from(thousandths) * u128::from(unit) / 1000;
    let bytes = u128::from(whole.parse::<u64>().map_err(|_| wrong())?) * u128::from(unit) + part;
    u64::try_from(bytes).map_err(|_| wrong())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn sizes_are_decimal_and_never_look_larger_than_they_are() {
        for (bytes, text) in [
            (0, "0 bytes"),
            (1, "1 byte"),
            (999, "999 bytes"),
            (1000, "1.0 kB"),
            (1999, "1.9 kB"),
            (999_999, "999.9 kB"),
            (250_059_350_016, "250.0 GB"),
            (u64::MAX, "18.4 EB"),
        ] {
            assert_eq!(human(bytes), text);
        }
        assert_eq!(both(250_059_350_016), "250.0 GB (250,059,350,016 bytes)");
        assert_eq!(both(12), "12 bytes");
        assert_eq!([grouped(0), grouped(999), grouped(1000)], ["0", "999", "1,000"]);
    }

    #[test]
    fn a_little_is_not_nothing_and_nearly_all_is_not_all() {
        for (part, whole, text) in [
            (0, 10, "0 %"),
            (1, 10_000, "0.01 %"),
            (1, 10_001, "under 0.01 %"),
            (1, 3, "33.33 %"),
            (u64::MAX - 1, u64::MAX, "99.99 %"),
            (7, 7, "100 %"),
            (0, 0, "0 %"),
        ] {
            assert_eq!(share(part, whole), text);
        }
    }

    #[test]
    fn labels_and_exact_numbers_are_read() {
        for (text, bytes) in [
            ("1048576", 1_048_576),
            ("0x100000", 1_048_576),
            ("500GB", 500_000_000_000),
            ("1.5 TB", 1_500_000_000_000),
            ("4KiB", 4096),
            ("0.5kib", 512),
            ("18446744073709551615", u64::MAX),
        ] {
            assert_eq!(parse(text), Ok(bytes), "{text}");
        }
        for text in
            ["", "GB", "-1", "+1", "1.5", "1..5GB", "1.2345GB", "5 sectors", "0x", "0x+1", "0xg", ".5GB", "99999999TB"]
        {
            assert!(parse(text).is_err(), "{text}");
        }
    }

    proptest! {
        #[test]
        fn exact_bytes_come_back(bytes in any::<u64>()) {
            prop_assert_eq!(parse(&bytes.to_string()), Ok(bytes));
            prop_assert_eq!(parse(&format!("{bytes:#x}")), Ok(bytes));
            prop_assert_eq!(parse(&grouped(bytes).replace(',', "")), Ok(bytes));
        }

        #[test]
        fn no_text_panics(text in ".{0,24}") {
            let _ = parse(&text);
        }
    }

    #[test]
    fn one_is_no_plural() {
        assert_eq!([0, 1, 2000].map(|count| counted(count, "file")), ["0 files", "1 file", "2,000 files"]);
    }
}
