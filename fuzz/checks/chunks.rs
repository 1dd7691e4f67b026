//! Chunks that Windows packed: method and chunk size (1 byte), size of the content (3), where the stored bytes are cut
//! in two (2), and the stored bytes.

use handback::catalog::{Encoding, Extents, Packed, Packing, Place, Run, Runs};

use super::{Taker, in_memory, read_content};

const CAP: usize = 4 << 20;

pub(super) fn check(data: &[u8]) {
    let mut taker = Taker(data);
    let kind = taker.byte();
    let (size, cut) = (taker.number(3), taker.number(2));
    let bytes = taker.0;
    let packing = if kind & 1 == 0 { Packing::Xpress } else { Packing::Lzx };
    // The sizes that Windows has, and one that it hasn't.
    let chunk = [4096, 8192, 16_384, 32_768, 1000, 65_536, 0, 1 << 17][usize::from(kind >> 1 & 7)];
    let packed = |stored| Extents::Packed(Packed { stored: Box::new(stored), packing, chunk, size });

    let length = bytes.len() as u64;
    let cut = cut.min(length);
    let runs = vec![
        Run { start: 0, length: cut, place: Place::At(length - cut) },
        Run { start: cut, length: length - cut, place: Place::At(0) },
    ];
    let runs = Runs { runs, size: length, valid_size: length, encoding: Encoding::Plain };
    // The second half first: where bytes lie makes no difference to what they say.
    let (first, second) = bytes.split_at(usize::try_from(cut).expect("part of the input"));
    let swapped = in_memory(&[second, first].concat());

    let at_hand = read_content(&swapped, &packed(Extents::Resident(bytes.to_vec())), CAP);
    let in_runs = read_content(&swapped, &packed(Extents::Runs(runs)), CAP);
    assert_eq!(at_hand.bytes, in_runs.bytes);
    let gaps = |outcome: Option<handback::content::Outcome>| outcome.map(|outcome| outcome.gaps);
    assert_eq!(gaps(at_hand.outcome), gaps(in_runs.outcome));
}
