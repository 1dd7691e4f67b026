//! What stands where on a sound exFAT volume. Offsets are those of the exFAT specification, revision 1.00.

use std::ops::Range;

use handback::source::Source;

use super::{Anatomy, Format, bytes, u32_at, u64_at};

/// Boot regions, entry sets, the root's own entries and links of the table are its structures.
pub(crate) struct ExFat;

impl Format for ExFat {
    fn begins(&self, first: &[u8]) -> bool {
        &first[3..11] == b"EXFAT   "
    }

    fn enter(&self, source: &Source, start: u64, into: &mut Anatomy) {
        Reader::new(source, start).enter(into);
    }

    fn quiet(&self) -> &[&str] {
        &["entries after the end mark", "free entries of the table"]
    }
}

/// The checksum over a boot region's first eleven sectors.
pub(crate) fn boot_checksum(region: &[u8]) -> u32 {
    let kept = region[..region.len() / 12 * 11].iter().enumerate();
    kept.filter(|(index, _)| !matches!(index, 106 | 107 | 112))
        .fold(0, |sum, (_, byte)| sum.rotate_right(1).wrapping_add(u32::from(*byte)))
}

/// The checksum over the entries of a set.
pub(crate) fn set_checksum(set: &[u8]) -> u16 {
    let kept = set.iter().enumerate().filter(|(index, _)| !matches!(index, 2 | 3));
    kept.fold(0, |sum, (_, byte)| sum.rotate_right(1).wrapping_add(u16::from(*byte)))
}

struct Reader<'a> {
    source: &'a Source,
    start: u64,
    length: u64,
    sector: u64,
    cluster: u64,
    table: u64,
    heap: u64,
    root: u32,
}

/// A file, or a folder with all that stands in it.
struct Node {
    locator: u64,
    folder: bool,
    /// Where its entries stand in the volume.
    entries: Vec<u64>,
    /// Its clusters, and whether the table has a chain of them.
    clusters: Vec<u32>,
    chained: bool,
    children: Vec<Node>,
}

impl Node {
    /// Itself and all below it.
    fn all(&self, into: &mut Vec<u64>) {
        into.push(self.locator);
        self.children.iter().for_each(|child| child.all(into));
    }
}

impl<'a> Reader<'a> {
    fn new(source: &'a Source, start: u64) -> Self {
        let boot = bytes(source, start..start + 512);
        let sector = 1 << boot[0x6c];
        Self {
            source,
            start,
            length: u64_at(&boot, 0x48) * sector,
            sector,
            cluster: sector << boot[0x6d],
            table: u64::from(u32_at(&boot, 0x50)) * sector,
            heap: u64::from(u32_at(&boot, 0x58)) * sector,
            root: u32_at(&boot, 0x60),
        }
    }

    fn bytes(&self, range: Range<u64>) -> Vec<u8> {
        bytes(self.source, self.start + range.start..self.start + range.end)
    }

    /// In the image.
    fn here(&self, range: Range<u64>) -> Range<u64> {
        self.start + range.start..self.start + range.end
    }

    fn place(&self, cluster: u32) -> Range<u64> {
        let start = self.heap + u64::from(cluster - 2) * self.cluster;
        start..start + self.cluster
    }

    fn link_place(&self, cluster: u32) -> Range<u64> {
        let at = self.table + 4 * u64::from(cluster);
        at..at + 4
    }

    fn clusters(&self, first: u32, length: u64, chained: bool) -> Vec<u32> {
        if length == 0 {
            return Vec::new();
        }
        if !chained {
            let count = u32::try_from(length.div_ceil(self.cluster)).expect("small");
            return (first..first + count).collect();
        }
        let mut all = vec![first];
        loop {
            match u32_at(&self.bytes(self.link_place(all[all.len() - 1])), 0) {
                u32::MAX => return all,
                next => all.push(next),
            }
        }
    }

    /// The entries of a list up to its end mark, and where the mark stands.
    fn list(&self, clusters: &[u32]) -> (Vec<(u64, Vec<u8>)>, Option<u64>) {
        let mut entries = Vec::new();
        for cluster in clusters {
            let place = self.place(*cluster);
            let raw = self.bytes(place.clone());
            for (at, entry) in (place.start..).step_by(32).zip(raw.chunks_exact(32)) {
                if entry[0] == 0 {
                    return (entries, Some(at));
                }
                entries.push((at, entry.to_vec()));
            }
        }
        (entries, None)
    }

    /// What stands in a folder.
    fn children(&self, clusters: &[u32]) -> Vec<Node> {
        let (entries, _) = self.list(clusters);
        let mut nodes = Vec::new();
        for (number, (at, entry)) in entries.iter().enumerate().filter(|(_, (_, entry))| entry[0] == 0x85) {
            let stream = &entries[number + 1].1;
            let chained = stream[1] & 2 == 0;
            let clusters = self.clusters(u32_at(stream, 20), u64_at(stream, 24), chained);
            let folder = entry[4] & 0x10 != 0;
            let children = if folder { self.children(&clusters) } else { Vec::new() };
            let entries = entries[number..=number + usize::from(entry[1])].iter().map(|(at, _)| *at).collect();
            nodes.push(Node { locator: *at, folder, entries, clusters, chained, children });
        }
        nodes
    }

    fn enter(&self, into: &mut Anatomy) {
        into.volume(self.here(0..self.length));
        let region = 12 * self.sector;
        for (start, kind) in [(0, "boot region"), (region, "backup boot region")] {
            into.add(&self.here(start..start + region), kind, self.start, None);
            into.piece(self.here(start..start + region), kind);
        }
        let clusters = self.clusters(self.root, 1, true);
        let children = self.children(&clusters);
        self.own(&clusters, into);
        let root = Node { locator: 0, folder: true, entries: Vec::new(), clusters, chained: true, children };
        self.node(&root, into);
        // What is left of the table belongs to nobody.
        into.add(&self.here(self.table..self.heap), "free entries of the table", self.start, None);
    }

    /// The bitmap, the up-case table and what else the root tells of the volume.
    fn own(&self, root: &[u32], into: &mut Anatomy) {
        for (at, entry) in self.list(root).0 {
            let (kind, content) = match entry[0] {
                0x81 => ("entry of the bitmap", Some("allocation bitmap")),
                0x82 => ("entry of the up-case table", Some("up-case table")),
                0x83 => ("label", None),
                _ => continue,
            };
            into.piece(self.here(at..at + 32), kind);
            let Some(content) = content else { continue };
            let mut left = u64_at(&entry, 24);
            for cluster in self.clusters(u32_at(&entry, 20), left, true) {
                let place = self.place(cluster);
                into.add(&self.here(place.start..place.end.min(place.start + left)), content, self.start, None);
                left = left.saturating_sub(self.cluster);
                into.add(&self.here(self.link_place(cluster)), "table, links of the volume's own", self.start, None);
            }
        }
    }

    fn node(&self, node: &Node, into: &mut Anatomy) {
        // Where its entries or links are lost, so is all below it.
        let mut below = Vec::new();
        node.all(&mut below);
        let kind = if node.folder { "entries of a folder" } else { "entries of a file" };
        for entry in &node.entries {
            for owner in &below {
                into.add(&self.here(*entry..*entry + 32), kind, self.start, Some(*owner));
            }
        }
        let in_one_piece = node.entries.windows(2).all(|pair| pair[1] == pair[0] + 32);
        if let (Some(first), Some(last), true) = (node.entries.first(), node.entries.last(), in_one_piece) {
            into.piece(self.here(*first..*last + 32), kind);
        }
        for cluster in &node.clusters {
            if node.chained {
                for owner in &below {
                    into.add(&self.here(self.link_place(*cluster)), "table, links", self.start, Some(*owner));
                }
                into.piece(self.here(self.link_place(*cluster)), "link of the table");
            }
            if !node.folder {
                into.add(&self.here(self.place(*cluster)), "file content", self.start, Some(node.locator));
            }
        }
        node.children.iter().for_each(|child| self.node(child, into));
        if node.folder {
            self.list_of(node, into);
        }
    }

    /// The sectors of a folder's list, up to its end mark; deleted entries and the mark are of it, too.
    fn list_of(&self, node: &Node, into: &mut Anatomy) {
        let (_, end) = self.list(&node.clusters);
        let mut ended = false;
        for cluster in &node.clusters {
            for sector in self.place(*cluster).step_by(512) {
                let range = self.here(sector..sector + 512);
                if ended {
                    into.add(&range, "entries after the end mark", self.start, None);
                } else {
                    into.add(&range, "folder's list", self.start, Some(node.locator));
                }
                ended |= end.is_some_and(|end| (sector..sector + 512).contains(&end));
            }
        }
    }
}
