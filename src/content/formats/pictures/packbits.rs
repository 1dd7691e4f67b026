//! PackBits (TIFF 6.0, section 9): runs of bytes, and bytes as they are.

use crate::bytes::to_u64;

/// How much the bytes unpack to; `None` if they end inside a run.
pub(super) fn unpacked(mut bytes: &[u8]) -> Option<u64> {
    let mut length = 0_u64;
    while let Some((&head, rest)) = bytes.split_first() {
        let (taken, given) = match head {
            0..=127 => (usize::from(head).saturating_add(1), usize::from(head).saturating_add(1)),
            128 => (0, 0),
            129.. => (1, 257_usize.saturating_sub(head.into())),
        };
        bytes = rest.get(taken..)?;
        length = length.saturating_add(to_u64(given));
    }
    Some(length)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_example_of_tiff() {
        // TIFF 6.0, section 9 has the rule; these are three as they are, six of one, nothing, and one.
        assert_eq!(unpacked(&[2, 1, 2, 3, 0xfb, 9, 0x80, 0, 7]), Some(10));
        assert_eq!(unpacked(&[]), Some(0));
        assert_eq!(unpacked(&[2, 1, 2]), None);
        assert_eq!(unpacked(&[0xff]), None);
    }
}
