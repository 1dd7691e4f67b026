//! Names for a host: one folder's stored names as UTF-16 units, separated by 0xFFFF, and as bytes.

use std::collections::HashSet;

use handback::handover::names::{Mapped, assign, safe_component, safe_component_bytes};

pub(super) fn check(data: &[u8]) {
    let units: Vec<u16> = data.as_chunks::<2>().0.iter().map(|pair| u16::from_le_bytes(*pair)).collect();
    let mut folder: Vec<Mapped> = units.split(|unit| *unit == 0xffff).map(safe_component).collect();
    folder.extend(data.split(|byte| *byte == 0xff).map(safe_component_bytes));
    for mapped in &folder {
        is_safe(&mapped.name);
        let again = safe_component_bytes(mapped.name.as_bytes());
        assert_eq!((&again.name, again.changed), (&mapped.name, false), "a mapped name maps to itself");
    }
    assign(&mut folder);
    let mut seen = HashSet::new();
    for mapped in &folder {
        is_safe(&mapped.name);
        assert!(seen.insert(mapped.name.to_lowercase()), "{:?} stands there twice", mapped.name);
    }
}

fn is_safe(name: &str) {
    assert!(!name.is_empty() && name.len() <= 255, "{name:?} has {} bytes", name.len());
    assert!(!name.contains(|c: char| c.is_control() || "<>:\"/\\|?*".contains(c)), "{name:?}");
    assert!(!name.ends_with(['.', ' ']), "{name:?}");
}
