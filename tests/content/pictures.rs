use super::Claim;

pub(super) const CLAIMS: &[Claim] = &[];
