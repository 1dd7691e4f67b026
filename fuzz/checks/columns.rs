//! Logs of other programs by described columns: ten bytes of description, then the log.

use std::collections::BTreeMap;

use handback::sector_map::{ByteState, ColumnImport, Extent, Numbers, SectorMap, merge};

use super::Taker;
use super::sector_map::is_sound;

pub(super) fn check(data: &[u8]) {
    let mut taker = Taker(data);
    let mut column = |most: u8| usize::from(taker.byte() % most);
    let start = column(5);
    let extent = match column(4) {
        0 => Extent::Length(column(5)),
        1 => Extent::End(column(5)),
        2 => Extent::Last(column(5)),
        _ => Extent::OneUnit,
    };
    let state = Some(column(5)).filter(|column| *column != 4);
    let only_state = ByteState::ALL[column(4)];
    let numbers = if column(2) == 0 { Numbers::Decimal } else { Numbers::Hexadecimal };
    let unit = [0, 1, 512, 4096, 1 << 63][column(5)];
    let separator = [None, Some(','), Some('\t'), Some('ß')][column(4)];
    let skip = column(3);
    let rest = ByteState::ALL.get(column(5)).copied();
    let words: BTreeMap<_, _> = ByteState::ALL
        .into_iter()
        .zip(["?", "n", "bad", "ok"])
        .map(|(state, word)| (word.to_string(), state))
        .collect();
    let comment = (skip > 0).then(|| "#".to_string());
    let import =
        ColumnImport { start, extent, state, only_state, words, numbers, unit, separator, comment, skip, rest };
    let text = String::from_utf8_lossy(taker.0);
    for length in [1 << 30, u64::MAX] {
        if let Ok(map) = import.read(&text, length) {
            is_sound(&map);
            let other = SectorMap::none(length);
            assert_eq!(merge(&[map.clone(), other]).map(|merged| merged.length()), Some(length));
        }
    }
}
