//! Sizes, shares and numbers as people write them.
//!
//! Sizes are decimal, as on a drive's label (1 kB = 1000 bytes).

/// Decimal units, smallest first.
const UNITS: [&str; 7] = ["bytes", "kB", "MB", "GB", "TB", "PB", "EB"];

/// A size as people say it: `250.1 GB`. Rounded down, so that nothing looks larger than it is.
pub(crate) fn human(bytes: u64) -> String {
    let mut unit = 0;
    let mut scale = 1_u64;
    while unit + 1 < UNITS.len() && bytes / scale >= 1000 {
        scale *= 1000;
        unit += 1;
    }
    if unit == 0 {
        return format!("{bytes} {}", if bytes == 1 { "byte" } else { UNITS[0] });
    }
    format!("{}.{} {}", bytes / scale, bytes % scale / (scale / 10), UNITS[unit])
}

/// A number with its thousands set apart: `250,059,350,016`.
pub(crate) fn grouped(number: u64) -> String {
    let mut text = String::new();
    grouped_onto(&mut text, number);
    text
}

/// Adds a number with its thousands set apart.
pub(crate) fn grouped_onto(text: &mut String, number: u64) {
    if number >= 1000 {
        grouped_onto(text, number / 1000);
        text.push(',');
    }
    for place in [100, 10, 1] {
        if number >= place || place == 1 {
            text.push(char::from(b'0' + (number / place % 10) as u8));
        }
    }
}

/// How much `part` is of `whole`, in percent. A little is never shown as nothing, nor nearly all as all.
pub(crate) fn share(part: u64, whole: u64) -> String {
    if part == 0 || whole == 0 {
        return "0 %".to_string();
    }
    if part >= whole {
        return "100 %".to_string();
    }
    match u128::from(part) * 10_000 / u128::from(whole) {
        0 => "under 0.01 %".to_string(),
        hundredths => format!("{}.{:02} %", hundredths / 100, hundredths % 100),
    }
}

/// A number of things: `1 file`, `2,000 files`.
pub(crate) fn counted(count: u64, noun: &str) -> String {
    format!("{} {noun}{}", grouped(count), if count == 1 { "" } else { "s" })
}
