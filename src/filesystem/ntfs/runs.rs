//! Data runs: the packed list of where a stream's clusters lie.
//!
//! Source: Linux `fs/ntfs3/run.c`. A run's first byte holds in its low half how many bytes give the length, in its
//! high half how many give the step from the last run's cluster. No step: the run has no clusters. 0 ends.

use super::units::{Lcn, MAX_CLUSTERS, Vcn};

/// Consecutive clusters.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct DataRun {
    pub(super) first: Vcn,
    /// Clusters, never 0.
    pub(super) length: u64,
    /// `None` if the run has no clusters.
    pub(super) place: Option<Lcn>,
}

/// Why a list ended early.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum RunFault {
    /// It breaks off inside a run, or before the last cluster it should cover.
    Short,
    /// A run without length, a field of more than 8 bytes, or a cluster number no volume has.
    Malformed,
    /// It covers more clusters than it should.
    Long,
}

/// Unpacks the runs that cover `first..=last`; `last` may be one before `first` for none. Runs before a fault are
/// good.
pub(super) fn unpack(bytes: &[u8], first: Vcn, last: Vcn) -> (Vec<DataRun>, Option<RunFault>) {
    let mut runs = Vec::new();
    let fault = unpack_into(bytes, first, last, &mut runs).err();
    (runs, fault)
}

fn unpack_into(bytes: &[u8], first: Vcn, last: Vcn, runs: &mut Vec<DataRun>) -> Result<(), RunFault> {
    let end = last.0.wrapping_add(1);
    if end < first.0 || end > MAX_CLUSTERS {
        return Err(RunFault::Malformed);
    }
    let mut rest = bytes;
    let mut vcn = first.0;
    let mut lcn = 0_i64;
    loop {
        // Runs that fill their attribute to the last byte need no end mark.
        let (head, after) = rest.split_first().unwrap_or((&0, &[]));
        if *head == 0 {
            return if vcn == end { Ok(()) } else { Err(RunFault::Short) };
        }
        let (length_bytes, step_bytes) = (usize::from(head & 0x0f), usize::from(head >> 4));
        let (length, after) = after.split_at_checked(length_bytes).ok_or(RunFault::Short)?;
        let (step, after) = after.split_at_checked(step_bytes).ok_or(RunFault::Short)?;
        let length = unsigned(length).filter(|length| *length > 0).ok_or(RunFault::Malformed)?;
        let next = vcn.checked_add(length).filter(|next| *next <= MAX_CLUSTERS).ok_or(RunFault::Malformed)?;
        if next > end {
            return Err(RunFault::Long);
        }
        let place = if step_bytes == 0 {
            None
        } else {
            lcn = signed(step).and_then(|step| lcn.checked_add(step)).ok_or(RunFault::Malformed)?;
            Some(Lcn(u64::try_from(lcn).map_err(|_| RunFault::Malformed)?))
        };
        runs.push(DataRun { first: Vcn(vcn), length, place });
        vcn = next;
        rest = after;
    }
}

fn unsigned(bytes: &[u8]) -> Option<u64> {
    let mut value = [0; 8];
    value.get_mut(..bytes.len())?.copy_from_slice(bytes);
    Some(u64::from_le_bytes(value))
}

fn signed(bytes: &[u8]) -> Option<i64> {
    let negative = bytes.last()? & 0x80 != 0;
    let mut value = if negative { [0xff; 8] } else { [0; 8] };
    value.get_mut(..bytes.len())?.copy_from_slice(bytes);
    Some(i64::from_le_bytes(value))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn placed(runs: &[DataRun]) -> Vec<(u64, Option<u64>)> {
        runs.iter().map(|run| (run.length, run.place.map(|lcn| lcn.0))).collect()
    }

    fn good(bytes: &[u8], clusters: u64) -> Vec<(u64, Option<u64>)> {
        let (runs, fault) = unpack(bytes, Vcn(0), Vcn(clusters.wrapping_sub(1)));
        assert_eq!(fault, None);
        placed(&runs)
    }

    /// The first two from Linux `fs/ntfs3` public unit tests; the third's origin is from memory; the rest as written
    /// by ntfs-3g (sparse, fragmented, compressed).
    #[test]
    fn published_runs() {
        assert_eq!(good(&[0x21, 0x18, 0x34, 0x56, 0], 0x18), [(0x18, Some(0x5634))]);
        let three =
            [0x31, 0x38, 0x73, 0x25, 0x34, 0x32, 0x14, 0x01, 0xe5, 0x11, 0x02, 0x31, 0x42, 0xaa, 0x00, 0x03, 0x00];
        assert_eq!(
            good(&three, 0x38 + 0x114 + 0x42),
            [(0x38, Some(0x34_2573)), (0x114, Some(0x36_3758)), (0x42, Some(0x39_3802))]
        );
        let back = [0x11, 0x30, 0x60, 0x21, 0x10, 0x00, 0x01, 0x11, 0x20, 0xe0, 0];
        assert_eq!(good(&back, 0x60), [(0x30, Some(0x60)), (0x10, Some(0x160)), (0x20, Some(0x140))]);
        let sparse = [0x02, 0x00, 0x01, 0x21, 0x01, 0x16, 0x12, 0x00];
        assert_eq!(good(&sparse, 0x101), [(0x100, None), (1, Some(0x1216))]);
        let compressed = [0x21, 0x01, 0x00, 0x12, 0x01, 0x0f, 0x11, 0x01, 0x01, 0x01, 0x0f, 0x00];
        assert_eq!(good(&compressed, 32), [(1, Some(0x1200)), (15, None), (1, Some(0x1201)), (15, None)]);
        assert_eq!(good(&[0x01, 0x10, 0x00], 16), [(16, None)]);
        assert_eq!(good(&[0], 0), []);
        assert_eq!(good(&[0x11, 2, 5], 2), [(2, Some(5))], "an end mark is not needed");
    }

    #[test]
    fn faults_keep_the_runs_before_them() {
        let cases: [(&[u8], u64, RunFault, usize); 8] = [
            (&[0x11, 2, 5, 0], 3, RunFault::Short, 1),
            (&[0x11, 2, 5], 3, RunFault::Short, 1),
            (&[0x11, 2], 2, RunFault::Short, 0),
            (&[0x11, 2, 5, 0x11, 2, 5, 0], 3, RunFault::Long, 1),
            (&[0x11, 0, 5, 0], 0, RunFault::Malformed, 0),
            (&[0x11, 2, 0x80, 0], 2, RunFault::Malformed, 0),
            (&[0x19, 1, 1, 1, 1, 1, 1, 1, 1, 1, 5, 0], 2, RunFault::Malformed, 0),
            (&[0x10, 5, 0], 2, RunFault::Malformed, 0),
        ];
        for (bytes, clusters, fault, kept) in cases {
            let (runs, found) = unpack(bytes, Vcn(0), Vcn(clusters.wrapping_sub(1)));
            assert_eq!((found, runs.len()), (Some(fault), kept), "{bytes:x?}");
        }
        assert_eq!(unpack(&[0], Vcn(5), Vcn(2)).1, Some(RunFault::Malformed));
        assert_eq!(unpack(&[0], Vcn(0), Vcn(u64::MAX - 1)).1, Some(RunFault::Malformed));
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn no_bytes_panic_and_runs_follow_one_another(
            bytes in prop::collection::vec(any::<u8>(), 0..60), first in 0..100_u64, length in 0..1_000_000_u64,
        ) {
            let (runs, fault) = unpack(&bytes, Vcn(first), Vcn((first + length).wrapping_sub(1)));
            let mut next = first;
            for run in &runs {
                prop_assert_eq!(run.first, Vcn(next));
                prop_assert!(run.length > 0);
                next += run.length;
            }
            prop_assert!(next <= first + length);
            if fault.is_none() {
                prop_assert_eq!(next, first + length);
            }
        }
    }
}
