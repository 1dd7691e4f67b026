//! One line of `handback list --json`.

use std::ops::Range;

use serde::Serialize;

use crate::catalog::{Attribute, Completeness, Gap, ObjectKind, State};
use crate::survey::recycle::Recycled;

#[derive(Serialize)]
pub(super) struct Line<'a> {
    pub(super) volume: u32,
    pub(super) path: String,
    pub(super) name: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) name_raw: Option<String>,
    pub(super) address: Option<String>,
    pub(super) kind: ObjectKind,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) state: Option<State>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) completeness: Option<Completeness>,
    pub(super) reasons: Vec<&'static str>,
    pub(super) encrypted: bool,
    pub(super) unknown: bool,
    pub(super) decoded: bool,
    pub(super) size: u64,
    pub(super) allocated: u64,
    pub(super) gap_bytes: u64,
    pub(super) never_here_bytes: u64,
    pub(super) gaps: Vec<GapDocument>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) claimed: Option<Vec<RangeDocument>>,
    pub(super) created: Option<String>,
    pub(super) modified: Option<String>,
    pub(super) zone: Option<&'static str>,
    pub(super) attributes: Vec<Attribute>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) link_target: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) recycled: Option<&'a Recycled>,
}

#[derive(Serialize)]
pub(super) struct GapDocument {
    pub(super) start: u64,
    pub(super) length: u64,
    pub(super) why: &'static str,
}

#[derive(Serialize)]
pub(super) struct RangeDocument {
    pub(super) start: u64,
    pub(super) length: u64,
}

impl From<Gap> for GapDocument {
    fn from(gap: Gap) -> Self {
        Self { start: gap.range.start, length: gap.range.end - gap.range.start, why: gap.why.word() }
    }
}

impl From<&Range<u64>> for RangeDocument {
    fn from(range: &Range<u64>) -> Self {
        Self { start: range.start, length: range.end - range.start }
    }
}
