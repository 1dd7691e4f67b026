//! LZW as GIF and TIFF have it: only how long each string is, as what it says is not needed to see that all is there.
//! (GIF89a, appendix F; TIFF 6.0, section 13.)

/// The longest codes, in bits.
const LONGEST: u32 = 12;

/// The most codes.
const MOST: usize = 1 << LONGEST;

/// Why a stream can't be unpacked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Fault {
    /// A code that stands for nothing yet.
    Code,
    /// More than there is room for.
    TooMuch,
}

/// In which order bits come, and when codes grow longer.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Flavour {
    /// The first bit is the lowest; codes grow when the next one needs it.
    Gif,
    /// The first bit is the highest; codes grow one code early.
    Tiff,
}

/// A stream that is unpacked piece by piece.
pub(super) struct Lzw {
    flavour: Flavour,
    /// Length of each code's string.
    lengths: Vec<u32>,
    first_width: u32,
    width: u32,
    clear: usize,
    before: Option<usize>,
    loaded: u32,
    count: u32,
    /// Items unpacked so far.
    pub(super) unpacked: u64,
    /// Whether the code that ends it came.
    pub(super) ended: bool,
}

impl Lzw {
    /// A stream of items of so many bits, from 1 to 8.
    pub(super) fn new(flavour: Flavour, bits: u32) -> Self {
        let bits = bits.clamp(1, 8);
        let clear = 1_usize << bits;
        let width = bits.saturating_add(1);
        let mut lengths = Vec::with_capacity(MOST);
        lengths.resize(clear, 1);
        lengths.resize(clear.saturating_add(2), 0);
        Self {
            flavour,
            lengths,
            first_width: width,
            width,
            clear,
            before: None,
            loaded: 0,
            count: 0,
            unpacked: 0,
            ended: false,
        }
    }

    /// Unpacks more of the stream, to `most` items at most.
    pub(super) fn take(&mut self, bytes: &[u8], most: u64) -> Result<(), Fault> {
        for byte in bytes {
            if self.ended {
                return Ok(());
            }
            match self.flavour {
                Flavour::Gif => self.loaded |= u32::from(*byte) << self.count,
                Flavour::Tiff => self.loaded = self.loaded << 8 | u32::from(*byte),
            }
            self.count = self.count.saturating_add(8);
            while self.count >= self.width && !self.ended {
                let mask = (1_u32 << self.width).saturating_sub(1);
                let left = self.count.saturating_sub(self.width);
                let code = match self.flavour {
                    Flavour::Gif => {
                        let code = self.loaded & mask;
                        self.loaded >>= self.width;
                        code
                    }
                    Flavour::Tiff => self.loaded >> left & mask,
                };
                self.count = left;
                self.code(usize::try_from(code).unwrap_or(MOST))?;
                if self.unpacked > most {
                    return Err(Fault::TooMuch);
                }
            }
        }
        Ok(())
    }

    fn code(&mut self, code: usize) -> Result<(), Fault> {
        if code == self.clear {
            self.lengths.truncate(self.clear.saturating_add(2));
            (self.width, self.before) = (self.first_width, None);
            return Ok(());
        }
        if code == self.clear.saturating_add(1) {
            self.ended = true;
            return Ok(());
        }
        let before = self.before.and_then(|before| self.lengths.get(before)).copied();
        if let Some(before) = before
            && self.lengths.len() < MOST
        {
            self.lengths.push(before.saturating_add(1));
        }
        let Some(length) = self.lengths.get(code) else { return Err(Fault::Code) };
        self.unpacked = self.unpacked.saturating_add((*length).into());
        self.before = Some(code);
        let early = usize::from(self.flavour == Flavour::Tiff);
        if self.lengths.len().saturating_add(early) >= 1_usize << self.width && self.width < LONGEST {
            self.width = self.width.saturating_add(1);
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_example_of_tiff() {
        // TIFF 6.0, section 13: 7 7 7 8 8 7 7 6 6 becomes <clear> 7 258 8 8 258 6 6 <end>, in codes of 9 bits.
        let codes = [256_u32, 7, 258, 8, 8, 258, 6, 6, 257];
        let bits: String = codes.iter().map(|code| format!("{code:09b}")).collect();
        let bytes: Vec<u8> = bits
            .as_bytes()
            .chunks(8)
            .map(|byte| byte.iter().enumerate().map(|(at, bit)| (bit - b'0') << (7 - at)).sum::<u8>())
            .collect();
        let mut lzw = Lzw::new(Flavour::Tiff, 8);
        lzw.take(&bytes, 9).unwrap();
        assert!(lzw.ended);
        assert_eq!(lzw.unpacked, 9);
        assert_eq!(Lzw::new(Flavour::Tiff, 8).take(&bytes, 8), Err(Fault::TooMuch));
    }

    #[test]
    fn a_code_that_stands_for_nothing() {
        // Items of 2 bits, codes of 3: clear (4), 7 is not made yet.
        assert_eq!(Lzw::new(Flavour::Gif, 2).take(&[0b0011_1100], 100), Err(Fault::Code));
    }
}
