//! Sector maps as text: a choice (1 byte), then the own form or a list of bad sectors.

use handback::sector_map::{ByteState, Format, SectorMap};

use super::Taker;

pub(super) fn check(data: &[u8]) {
    let mut taker = Taker(data);
    let choice = taker.byte();
    let rest = ByteState::ALL.get(usize::from(choice >> 1 & 7)).copied();
    let text = String::from_utf8_lossy(taker.0);
    let _ = Format::of(&text);
    if choice & 1 == 0 {
        if let Ok(map) = SectorMap::from_csv(&text, rest) {
            is_sound(&map);
        }
    } else {
        let sector_size = [512, 4096, 0, 1 << 63][usize::from(choice >> 4 & 3)];
        for length in [1 << 30, u64::MAX] {
            if let Ok(map) = SectorMap::from_bad_sectors(&text, sector_size, length, rest) {
                is_sound(&map);
            }
        }
    }
}

/// A map covers its image once, and is the same after writing and reading.
pub(super) fn is_sound(map: &SectorMap) {
    let mut end = 0;
    for segment in map.segments(0..map.length()) {
        assert_eq!(segment.range.start, end, "segments follow one another");
        assert!(segment.range.start < segment.range.end);
        assert_eq!(map.state_at(segment.range.start), segment.state);
        assert_eq!(map.state_at(segment.range.end - 1), segment.state);
        end = segment.range.end;
    }
    assert_eq!(end, map.length());
    let total: u64 = ByteState::ALL.into_iter().map(|state| map.count(0..map.length(), state)).sum();
    assert_eq!(total, map.length(), "each byte has one state");

    let again = SectorMap::from_csv(&map.to_csv(), None).expect("what is written can be read");
    let states = |map: &SectorMap| map.segments(0..map.length()).collect::<Vec<_>>();
    assert_eq!((again.length(), states(&again)), (map.length(), states(map)));
}
