//! LZNT1: a limit (2 bytes) and a stream; decoded alone, and as two compression units of a file.

use handback::catalog::{Encoding, Extents, Place, Run, Runs};
use handback::content::lznt1;

use super::{Taker, in_memory, read_content};

const CAP: usize = 1 << 20;
const UNIT: u64 = 65_536;

pub(super) fn check(data: &[u8]) {
    let mut taker = Taker(data);
    let limit = usize::try_from(taker.number(2)).expect("two bytes");
    let stream = taker.0;
    let decoded = |limit: usize| {
        let mut output = b"before".to_vec();
        let result = lznt1::decode(stream, &mut output, limit);
        assert_eq!(&output[..6], b"before", "what was there stays");
        let output = output.split_off(6);
        assert!(output.len() <= limit);
        let good = match result {
            Ok(()) => output.len(),
            Err(error) => {
                assert!(error.good <= output.len() && error.offset <= stream.len(), "{error:?}");
                error.good
            }
        };
        output[..good].to_vec()
    };
    let (short, long) = (decoded(limit), decoded(CAP));
    assert!(short.len() > long.len() || long.starts_with(&short), "a limit changes nothing before it");

    let length = stream.len() as u64;
    let half = length / 2 / 512 * 512;
    let units = [(0, 0, half), (UNIT, half, length - half)];
    let runs = units
        .into_iter()
        .flat_map(|(start, at, stored)| {
            let stored = stored.min(UNIT);
            [
                Run { start, length: stored, place: Place::At(at) },
                Run { start: start + stored, length: UNIT - stored, place: Place::Zeros },
            ]
        })
        .filter(|run| run.length > 0)
        .collect();
    let size = UNIT + limit as u64;
    let valid_size = if limit % 2 == 0 { size } else { size / 2 };
    let extents = Extents::Runs(Runs { runs, size, valid_size, encoding: Encoding::Lznt1 { unit: UNIT } });
    read_content(&in_memory(stream), &extents, CAP);
}
