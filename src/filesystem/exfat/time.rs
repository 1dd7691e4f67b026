//! Points in time as exFAT keeps them (specification, 7.4.8 to 7.4.10).

use crate::catalog::{Timestamp, Zone};

/// Steps of 100 ns in a quarter of an hour.
const QUARTER: i64 = 900 * 10_000_000;

/// From a timestamp (time, then date, as FAT keeps them), its count of 10 ms, and its offset from UTC. Without a valid
/// offset the time is local and nobody says where. `None` for a day or hour that no calendar has.
pub(super) fn timestamp(stamp: [u8; 6]) -> Option<Timestamp> {
    let [one, two, three, four, increment, offset] = stamp;
    let local = Timestamp::from_dos(u16::from_le_bytes([three, four]), u16::from_le_bytes([one, two]), increment)?;
    if offset & 0x80 == 0 {
        return Some(local);
    }
    // Seven bits, signed, in quarters of an hour.
    let quarters = i64::from(offset & 0x3f).checked_sub(i64::from(offset & 0x40))?;
    Some(Timestamp { ticks: local.ticks.checked_sub(quarters.checked_mul(QUARTER)?)?, zone: Zone::Utc })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn text(stamp: [u8; 6]) -> Option<String> {
        timestamp(stamp).and_then(Timestamp::rfc3339)
    }

    /// The first is of a set that exfatprogs reads as this date; offsets as in the specification, 7.4.10.1.
    #[test]
    fn times_with_and_without_a_zone() {
        assert_eq!(text([0x2d, 0x79, 0x6e, 0x3a, 0, 0x80]).unwrap(), "2009-03-14T15:09:26Z");
        assert_eq!(text([0x2d, 0x79, 0x6e, 0x3a, 0, 0]).unwrap(), "2009-03-14T15:09:26");
        assert_eq!(text([0x2d, 0x79, 0x6e, 0x3a, 199, 0x84]).unwrap(), "2009-03-14T14:09:27.99Z");
        assert_eq!(text([0x2d, 0x79, 0x6e, 0x3a, 0, 0xff]).unwrap(), "2009-03-14T15:24:26Z");
        assert_eq!(text([0x2d, 0x79, 0x6e, 0x3a, 0, 0xf0]).unwrap(), "2009-03-14T19:09:26Z");
        assert_eq!(text([0x00, 0x00, 0x21, 0x00, 0, 0x80]).unwrap(), "1980-01-01T00:00:00Z");
        assert_eq!(text([0x7d, 0xbf, 0x9f, 0xff, 199, 0x80]).unwrap(), "2107-12-31T23:59:59.99Z");
    }

    #[test]
    fn what_no_calendar_has() {
        for stamp in [[0; 6], [0, 0, 0x5e, 0, 0, 0x80], [30, 0, 0x21, 0, 0, 0x80]] {
            assert_eq!(timestamp(stamp), None, "{stamp:x?}");
        }
    }
}
