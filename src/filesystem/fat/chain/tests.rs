use std::sync::Arc;

use proptest::prelude::*;

use super::*;
use crate::catalog::{Findings, Place};
use crate::filesystem::fat::structures::{BootSector, Width};
use crate::image::MemoryImage;
use crate::source::Source;

const CLUSTERS: u32 = 40;

/// A FAT16 volume in outline, of which only the tables and the layout are looked at.
fn boot() -> (BootSector, Layout) {
    let boot = BootSector {
        bytes_per_sector: 512,
        sectors_per_cluster: 1,
        reserved_sectors: 1,
        tables: 2,
        root_entries: 16,
        total_sectors: 1 + 2 + 1 + u64::from(CLUSTERS),
        media: 0xf8,
        table_sectors: 1,
        width: Width::Fat16,
        clusters: u64::from(CLUSTERS),
        only_active: None,
        root_cluster: 0,
        info_sector: 0,
        backup_sector: 0,
        state: 0,
        serial: None,
        label: None,
    };
    let layout = Layout::of(&boot).unwrap();
    (boot, layout)
}

/// Tables with these links; what isn't named is free.
fn tables(first: &[(u32, u16)], second: &[(u32, u16)]) -> (Tables, Layout) {
    let (boot, layout) = boot();
    let mut bytes = vec![0; 512 * 44];
    for (table, links) in [(512, first), (1024, second)] {
        bytes[table..table + 4].copy_from_slice(&[0xf8, 0xff, 0xff, 0xff]);
        for (cluster, link) in links {
            let at = table + *cluster as usize * 2;
            bytes[at..at + 2].copy_from_slice(&link.to_le_bytes());
        }
    }
    let source = Source::without_map(Arc::new(MemoryImage::new(bytes)));
    let tables = Tables::read(&source, &boot, &layout, &mut Findings::default()).unwrap();
    (tables, layout)
}

fn chain(links: &[(u32, u16)], first: u32) -> Chain {
    let (tables, layout) = tables(links, links);
    follow(&tables, Cluster(first), u64::MAX, &mut Steps::for_volume(&layout))
}

fn all(chain: &Chain) -> Vec<u32> {
    chain.runs.iter().flat_map(|(start, length)| start.0..start.0 + u32::try_from(*length).unwrap()).collect()
}

#[test]
fn a_chain_ends_as_it_should_or_says_how() {
    let base = [(2, 3), (3, 4), (4, 9), (9, 8), (8, 0xffff)];
    let sound = chain(&base, 2);
    assert_eq!((all(&sound), sound.end, sound.distrust.len()), (vec![2, 3, 4, 9, 8], End::Marked, 0));
    assert_eq!(sound.runs.len(), 3);
    for (link, end, distrust) in [
        (0_u16, End::Free, Distrust::ClustersFree),
        (0xfff7, End::Bad, Distrust::ClusterBad),
        (1, End::OutOfRange, Distrust::OutsideVolume),
        (42, End::OutOfRange, Distrust::OutsideVolume),
        (0xfff0, End::OutOfRange, Distrust::OutsideVolume),
    ] {
        let mut links = base;
        links[3].1 = link;
        let chain = chain(&links, 2);
        assert_eq!((all(&chain), chain.end), (vec![2, 3, 4, 9], end), "{link:#x}");
        assert!(chain.distrust == EnumSet::only(distrust), "{link:#x}");
    }
    assert_eq!(chain(&[(41, 0xfff8)], 41).end, End::Marked, "the last cluster, and the lowest mark of an end");
}

#[test]
fn steps_run_out_and_a_limit_is_kept() {
    let links: Vec<(u32, u16)> = (2..41).map(|cluster| (cluster, cluster as u16 + 1)).collect();
    let (tables, _) = tables(&links, &links);
    let cut = follow(&tables, Cluster(2), u64::MAX, &mut Steps(7));
    assert_eq!((cut.clusters, cut.end), (7, End::TooMany));
    let enough = follow(&tables, Cluster(2), 7, &mut Steps(7));
    assert_eq!((enough.clusters, enough.end), (7, End::Enough));
}

#[test]
fn runs_become_extents_with_what_is_lost() {
    let (_, layout) = tables(&[], &[]);
    let chain = chain(&[(2, 3), (3, 9), (9, 0)], 2);
    let Extents::Runs(runs) = chain.extents(&layout, 2000) else { panic!() };
    let places: Vec<(u64, u64, Place)> = runs.runs.iter().map(|run| (run.start, run.length, run.place)).collect();
    let data = layout.data;
    assert_eq!(places, [(0, 1024, Place::At(data)), (1024, 512, Place::At(data + 7 * 512)), (1536, 464, Place::Lost)]);
    let Extents::Runs(runs) = chain.extents(&layout, 1000) else { panic!() };
    assert_eq!(runs.runs.len(), 1, "only what the size needs");
}

#[test]
fn a_guess_ends_with_the_volume() {
    let (_, layout) = tables(&[], &[]);
    let guess = Chain::guess(&layout, Cluster(40), 100);
    assert_eq!((all(&guess), guess.distrust), (vec![40, 41], EnumSet::only(Distrust::ContiguousGuess)));
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_chain_is_what_a_list_of_seen_clusters_finds(
        links in prop::collection::vec(0_u16..44, CLUSTERS as usize), first in 2..CLUSTERS + 2,
    ) {
        let links: Vec<(u32, u16)> = (2..).zip(links).collect();
        let mut seen = Vec::new();
        let mut at = first;
        let end = loop {
            if seen.contains(&at) {
                break End::Loop;
            }
            seen.push(at);
            match u32::from(links[at as usize - 2].1) {
                0 => break End::Free,
                next if next == 1 || next >= CLUSTERS + 2 => break End::OutOfRange,
                next => at = next,
            }
        };
        let chain = chain(&links, first);
        prop_assert_eq!((all(&chain), chain.end, chain.clusters), (seen.clone(), end, seen.len() as u64));
        prop_assert_eq!(chain.distrust.contains(Distrust::ChainLoop), end == End::Loop);
    }
}
