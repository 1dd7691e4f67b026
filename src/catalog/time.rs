//! Points in time as filesystems keep them.

use std::fmt::Write as _;

use serde::Serialize;

/// Whether a time is anchored.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Zone {
    /// Coordinated universal time.
    Utc,
    /// Local time of a computer whose zone is not known.
    Unknown,
}

impl Zone {
    /// The words used in files.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Utc => "UTC",
            Self::Unknown => "local time, zone unknown",
        }
    }
}

/// A point in time.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Timestamp {
    /// Steps of 100 ns from 1970-01-01 00:00:00 in the zone.
    pub ticks: i64,
    /// The zone.
    pub zone: Zone,
}

/// Steps of 100 ns in a second.
const TICKS: i64 = 10_000_000;

/// Steps of 100 ns from 1601-01-01 to 1970-01-01 (Microsoft, "Converting a time_t value to a file time").
const FILETIME_EPOCH: i64 = 116_444_736_000_000_000;

impl Timestamp {
    /// From a FILETIME: steps of 100 ns since 1601-01-01 UTC. `None` for 0, which stands for "not set", and for times
    /// after the year 30,000.
    #[must_use]
    pub fn from_filetime(value: u64) -> Option<Self> {
        let ticks = i64::try_from(value).ok().filter(|ticks| *ticks != 0)?.checked_sub(FILETIME_EPOCH)?;
        Some(Self { ticks, zone: Zone::Utc })
    }

    /// From the date and time of FAT and exFAT entries and the steps of 10 ms beside them (0 to 199), in local time.
    /// `None` for a date of 0, which stands for "not set", and for what no calendar has.
    ///
    /// Date: years from 1980 << 9 | month << 5 | day; time: hour << 11 | minute << 5 | seconds / 2 (Microsoft FAT
    /// specification, "Date and time formats").
    #[must_use]
    pub fn from_dos(date: u16, time: u16, hundredths: u8) -> Option<Self> {
        let field = |value: u16, shift: u32, mask: u16| i8::try_from(value.checked_shr(shift)? & mask).ok();
        let seconds = field(time, 0, 0x1f)?.checked_mul(2)?;
        let civil = jiff::civil::DateTime::new(
            1980_i16.checked_add(i16::from(field(date, 9, 0x7f)?))?,
            field(date, 5, 0x0f)?,
            field(date, 0, 0x1f)?,
            field(time, 11, 0x1f)?,
            field(time, 5, 0x3f)?,
            seconds,
            0,
        )
        .ok()?;
        let seconds = jiff::tz::Offset::UTC.to_timestamp(civil).ok()?.as_second();
        let fine = if hundredths < 200 { i64::from(hundredths).checked_mul(TICKS / 100)? } else { 0 };
        Some(Self { ticks: seconds.checked_mul(TICKS)?.checked_add(fine)?, zone: Zone::Unknown })
    }

    /// As a point in time for the host's calendar, zone left out of account.
    fn instant(self) -> Option<jiff::Timestamp> {
        let seconds = self.ticks.div_euclid(TICKS);
        let nanoseconds = i32::try_from(self.ticks.rem_euclid(TICKS)).ok()?.checked_mul(100)?;
        jiff::Timestamp::new(seconds, nanoseconds).ok()
    }

    /// RFC 3339: with `Z` where the zone is known, local without offset where it isn't.
    #[must_use]
    pub fn rfc3339(self) -> Option<String> {
        let text = self.instant()?.to_string();
        Some(match self.zone {
            Zone::Utc => text,
            Zone::Unknown => text.trim_end_matches('Z').to_string(),
        })
    }

    /// For people: date and time to the minute in `zone`; as stored where the time's own zone is not known.
    #[must_use]
    pub fn display(self, zone: &jiff::tz::TimeZone) -> Option<String> {
        let mut text = String::new();
        self.display_onto(&mut text, zone);
        (!text.is_empty()).then_some(text)
    }

    /// Adds what [`Timestamp::display`] gives to a text.
    pub(crate) fn display_onto(self, text: &mut String, zone: &jiff::tz::TimeZone) {
        let Some(instant) = self.instant() else { return };
        let civil = match self.zone {
            Zone::Utc => zone.to_datetime(instant),
            Zone::Unknown => jiff::tz::Offset::UTC.to_datetime(instant),
        };
        minute_onto(text, civil);
    }

    /// For restoring on the destination; where the time's own zone is not known, it is taken as local in `zone`. `None`
    /// if the host can't hold it.
    #[must_use]
    pub fn system_time(self, zone: &jiff::tz::TimeZone) -> Option<std::time::SystemTime> {
        let instant = self.instant()?;
        let instant = match self.zone {
            Zone::Utc => instant,
            Zone::Unknown => zone.to_timestamp(jiff::tz::TimeZone::UTC.to_datetime(instant)).ok()?,
        };
        instant.try_into().ok()
    }
}

/// Adds date and time to the minute. There may be millions, and a format that is read anew for each takes long.
fn minute_onto(text: &mut String, time: jiff::civil::DateTime) {
    if let Ok(year) = u16::try_from(time.year()) {
        two_digits_onto(text, year / 100);
        two_digits_onto(text, year % 100);
    } else {
        // Writing to a String can't fail.
        let _ = write!(text, "{:04}", time.year());
    }
    for (before, number) in [('-', time.month()), ('-', time.day()), (' ', time.hour()), (':', time.minute())] {
        text.push(before);
        two_digits_onto(text, number.unsigned_abs().into());
    }
}

fn two_digits_onto(text: &mut String, number: u16) {
    text.extend([number / 10, number % 10].into_iter().filter_map(|digit| char::from_digit(digit.into(), 10)));
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// Source: what mtools wrote for 2009-03-14 15:09:26; the ends of the range by the specification.
    #[test]
    fn dos_times_of_the_specification() {
        let text = |date, time, fine| Timestamp::from_dos(date, time, fine).and_then(Timestamp::rfc3339);
        assert_eq!(text(0x3a6e, 0x792d, 0).as_deref(), Some("2009-03-14T15:09:26"));
        assert_eq!(text(0x3a6e, 0x792d, 150).as_deref(), Some("2009-03-14T15:09:27.5"));
        assert_eq!(text(0x0021, 0, 0).as_deref(), Some("1980-01-01T00:00:00"));
        assert_eq!(text(0xff9f, 0xbf7d, 200).as_deref(), Some("2107-12-31T23:59:58"));
        for (date, time) in [(0, 0x792d), (0x3a0e, 0), (0x3a60, 0), (0x3a6e, 0xf800), (0x3a6e, 0x07a0), (0x3a6e, 31)] {
            assert_eq!(text(date, time, 0), None, "{date:x} {time:x}");
        }
    }

    /// Source: Microsoft, "File Times"; values as in NTFS volumes written by ntfs-3g.
    #[test]
    fn filetimes_of_the_specification() {
        for (value, text) in [
            (116_444_736_000_000_000, "1970-01-01T00:00:00Z"),
            (119_600_064_000_000_000, "1980-01-01T00:00:00Z"),
            (125_911_584_000_000_000, "2000-01-01T00:00:00Z"),
            (128_815_169_661_234_567, "2009-03-14T15:09:26.1234567Z"),
            (1, "1601-01-01T00:00:00.0000001Z"),
        ] {
            let time = Timestamp::from_filetime(value).unwrap();
            assert_eq!(time.rfc3339().as_deref(), Some(text));
        }
        assert_eq!(Timestamp::from_filetime(0), None);
        assert_eq!(Timestamp::from_filetime(u64::MAX), None);
        assert_eq!(Timestamp::from_filetime(i64::MAX as u64).unwrap().rfc3339(), None, "beyond the calendar");
    }

    /// What people see, written by the calendar's own formatter.
    fn formatted(time: Timestamp, zone: &jiff::tz::TimeZone) -> Option<String> {
        let zone = if time.zone == Zone::Utc { zone.clone() } else { jiff::tz::TimeZone::UTC };
        Some(time.instant()?.to_zoned_datetime(zone).strftime("%Y-%m-%d %H:%M").to_string())
    }

    #[test]
    fn the_ends_of_the_calendar_are_displayed() {
        let utc = jiff::tz::TimeZone::UTC;
        for (seconds, text) in [
            (-377_705_023_201, "-9999-01-02 01:59"),
            (-62_167_219_201, "-001-12-31 23:59"),
            (-62_167_219_200, "0000-01-01 00:00"),
            (253_402_207_200, "9999-12-30 22:00"),
        ] {
            let time = Timestamp { ticks: seconds * TICKS, zone: Zone::Utc };
            assert_eq!(time.display(&utc).as_deref(), Some(text));
            assert_eq!(time.display(&utc), formatted(time, &utc));
        }
        assert_eq!(Timestamp { ticks: i64::MAX, zone: Zone::Utc }.display(&utc), None);
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn times_are_displayed_as_the_calendar_formats_them(
            // All that can be kept, and the years around the first.
            ticks in prop_oneof![any::<i64>(), -700_000_000_000_000_000..-600_000_000_000_000_000_i64],
            known in any::<bool>(),
            zone in prop::sample::select(vec!["UTC", "Europe/Vienna", "America/New_York", "Pacific/Apia"]),
        ) {
            let zone = jiff::tz::TimeZone::get(zone).unwrap();
            let time = Timestamp { ticks, zone: if known { Zone::Utc } else { Zone::Unknown } };
            prop_assert_eq!(time.display(&zone), formatted(time, &zone));
        }
    }

    #[test]
    fn local_times_are_taken_in_the_zone_that_is_given() {
        let seconds = |time: Timestamp, zone: &str| {
            let zone = jiff::tz::TimeZone::get(zone).unwrap();
            let since = time.system_time(&zone).unwrap().duration_since(std::time::UNIX_EPOCH).unwrap();
            since.as_secs()
        };
        let ticks = 1_237_043_366 * TICKS; // 2009-03-14 15:09:26, before summer time in Vienna
        for (zone, offset) in [("UTC", 0), ("Europe/Vienna", 3600), ("America/New_York", -4 * 3600_i64)] {
            let local = Timestamp { ticks, zone: Zone::Unknown };
            assert_eq!(seconds(local, zone), 1_237_043_366_u64.saturating_add_signed(-offset), "{zone}");
            assert_eq!(seconds(Timestamp { zone: Zone::Utc, ..local }, zone), 1_237_043_366, "{zone}");
        }
    }
}
