//! Is the image as long as the drive's label says? Makers follow a published formula for it.
//!
//! Sources: IDEMA LBA1-02 and LBA1-03 up to 8 TB; SFF-8447 above (its rule from memory, checked against the length of
//! real 10 TB drives). Below 50 GB, and on flash sticks, no rule holds: the label is taken by its word.

use serde::Serialize;

use crate::error::{Error, Result};

/// IDEMA's formula begins here, in GB.
const IDEMA_FROM: u64 = 50;
/// IDEMA's formula ends here, in GB.
const IDEMA_TO: u64 = 8000;
/// SFF-8447 rounds the number of 512-byte sectors up to a multiple of this.
const SFF_UNIT: u64 = 1 << 21;
/// More than any drive has, in GB; keeps the formulas inside 64 bits.
const LARGEST: u64 = 1_000_000;

/// Which rule gives the length.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Rule {
    /// IDEMA LBA1-03.
    Idema,
    /// SFF-8447.
    Sff8447,
    /// None: the number on the label times 1,000,000,000.
    Label,
}

impl Rule {
    /// The formula, for people who want to check it.
    #[must_use]
    pub fn formula(self) -> &'static str {
        match self {
            Self::Idema => "IDEMA LBA1-03: 512-byte sectors = 97,696,368 + 1,953,504 × (GB − 50)",
            Self::Sff8447 => {
                "SFF-8447: 512-byte sectors = GB × 1,000,000,000 / 512, rounded up to a multiple of 2,097,152"
            }
            Self::Label => "no rule for this size: GB × 1,000,000,000 bytes",
        }
    }
}

/// How long a drive with a certain label usually is.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Expected {
    /// Decimal gigabytes of the label.
    pub gigabytes: u64,
    /// Bytes of the drive.
    pub bytes: u64,
    /// By which rule.
    pub rule: Rule,
}

impl Expected {
    /// Reads a label such as `500GB`, `1TB` or `2 TB`.
    ///
    /// # Errors
    /// [`Error::Usage`] if it is no such label.
    pub fn from_label(label: &str) -> Result<Self> {
        let refuse =
            || Error::Usage(format!("`{label}` is no drive size; write it as on the label: `500GB`, `1TB`, `1.5TB`"));
        let upper = label.trim().to_ascii_uppercase();
        let (number, factor) = match (upper.strip_suffix("GB"), upper.strip_suffix("TB")) {
            (Some(number), _) => (number, 1),
            (_, Some(number)) => (number, 1000),
            _ => return Err(refuse()),
        };
        let number = number.trim_end();
        let (whole, fraction) = number.split_once('.').unwrap_or((number, "0"));
        let digits = |text: &str| !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit());
        if !digits(whole) || !digits(fraction) || fraction.len() > 3 {
            return Err(refuse());
        }
        let thousandths = format!("{whole}{fraction:0<3}").parse::<u64>().map_err(|_| refuse())?;
        let scaled = thousandths.checked_mul(factor).ok_or_else(refuse)?;
        // Labels in fractions of a gigabyte do not exist.
        if scaled % 1000 != 0 {
            return Err(refuse());
        }
        Self::from_gigabytes(scaled / 1000).ok_or_else(refuse)
    }

    fn from_gigabytes(gigabytes: u64) -> Option<Self> {
        if gigabytes == 0 || gigabytes > LARGEST {
            return None;
        }
        let nominal = gigabytes.checked_mul(1_000_000_000)?;
        let (rule, bytes) = if (IDEMA_FROM..=IDEMA_TO).contains(&gigabytes) {
            let above = gigabytes.checked_sub(IDEMA_FROM)?.checked_mul(1_953_504)?;
            (Rule::Idema, above.checked_add(97_696_368)?.checked_mul(512)?)
        } else if gigabytes > IDEMA_TO {
            let units = nominal.div_ceil(512).div_ceil(SFF_UNIT);
            (Rule::Sff8447, units.checked_mul(SFF_UNIT)?.checked_mul(512)?)
        } else {
            (Rule::Label, nominal)
        };
        Some(Self { gigabytes, bytes, rule })
    }

    /// Compares the length of an image, in bytes, with it.
    #[must_use]
    pub fn compare(&self, image_length: u64) -> Fit {
        match image_length.checked_sub(self.bytes) {
            Some(0) => Fit::Equal,
            Some(by) => Fit::Longer { by },
            None => Fit::Shorter { by: self.bytes.saturating_sub(image_length) },
        }
    }
}

/// How an image's length compares with the label. A mismatch is a question and no fault: enclosures and makers' own
/// models differ by a few thousand sectors and more.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case", tag = "fit")]
pub enum Fit {
    /// To the byte.
    Equal,
    /// The image is shorter.
    Shorter {
        /// By so many bytes.
        by: u64,
    },
    /// The image is longer.
    Longer {
        /// By so many bytes.
        by: u64,
    },
}

impl Fit {
    /// What it means, as a sentence.
    #[must_use]
    pub fn sentence(self) -> &'static str {
        match self {
            Self::Equal => "The image is exactly as long as drives with this label are.",
            Self::Shorter { .. } => {
                "The image is shorter than drives with this label usually are. Did the imaging end early? Compare with \
                 the number of sectors that the drive itself reports."
            }
            Self::Longer { .. } => {
                "The image is longer than drives with this label usually are. Is this the right label? Compare with the \
                 number of sectors that the drive itself reports."
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn published_lengths() {
        // 80 GB: IDEMA LBA1-02's own example; 10 TB: the length that real drives report; the others follow from the
        // formulas.
        for (label, sectors) in [
            ("80GB", 156_301_488),
            ("120 GB", 234_441_648),
            ("250GB", 488_397_168),
            ("500gb", 976_773_168),
            ("1TB", 1_953_525_168),
            ("2 TB", 3_907_029_168),
            ("8TB", 15_628_053_168),
            ("10TB", 19_532_873_728),
            ("18 TB", 35_156_656_128_u64),
        ] {
            assert_eq!(Expected::from_label(label).unwrap().bytes, sectors * 512, "{label}");
        }
        assert_eq!(Expected::from_label("1.5TB").unwrap().gigabytes, 1500);
        assert_eq!(Expected::from_label("0.5 TB").unwrap().gigabytes, 500);
        let stick = Expected::from_label("32GB").unwrap();
        assert_eq!((stick.bytes, stick.rule), (32_000_000_000, Rule::Label));
    }

    #[test]
    fn what_is_no_label_is_refused_with_an_example() {
        for label in
            ["", "500", "GB", "500GiB", "-5GB", "1,5TB", "1e3GB", "0GB", "99999999999999999999TB", "1.5GB", "1.TB"]
        {
            let error = Expected::from_label(label).unwrap_err();
            assert!(error.to_string().contains("`500GB`"), "{label}");
        }
    }

    #[test]
    fn a_mismatch_says_by_how_much() {
        let expected = Expected::from_label("500GB").unwrap();
        assert_eq!(expected.compare(500_107_862_016), Fit::Equal);
        assert_eq!(expected.compare(500_107_861_504), Fit::Shorter { by: 512 });
        assert_eq!(expected.compare(500_107_862_528), Fit::Longer { by: 512 });
        assert!(Fit::Shorter { by: 1 }.sentence().ends_with('.'));
    }
}
