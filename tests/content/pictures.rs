use super::Claim;

/// Where pixels stand as they are, or are packed so that anything unpacks, only what says where they lie is noticed.
const PIXELS: &[&str] = &["zeroed sector", "zeroed tail", "swapped sectors", "foreign 4 KiB", "one bit flipped"];

pub(super) const CLAIMS: &[Claim] = &[
    Claim { format: "JPEG", may_miss: &["swapped sectors", "one bit flipped"] },
    Claim { format: "PNG", may_miss: &[] },
    Claim { format: "GIF", may_miss: &["swapped sectors", "one bit flipped"] },
    Claim { format: "TIFF", may_miss: PIXELS },
    Claim { format: "camera raw", may_miss: PIXELS },
    Claim { format: "Fujifilm raw", may_miss: PIXELS },
    Claim { format: "WebP", may_miss: PIXELS },
    Claim { format: "PSD", may_miss: PIXELS },
    Claim { format: "BMP", may_miss: PIXELS },
];
