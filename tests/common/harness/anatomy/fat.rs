//! What stands where on a sound FAT volume. Offsets are those of `src/filesystem/fat/structures.rs`, sources there.

use std::ops::Range;

use handback::source::Source;

use super::{Anatomy, Format, bytes, index, u16_at, u32_at};

pub(crate) struct Fat;

impl Format for Fat {
    fn begins(&self, first: &[u8]) -> bool {
        let other = [&b"NTFS    "[..], b"EXFAT   "].contains(&&first[3..11]);
        !other && matches!(first[0], 0xeb | 0xe9) && first[510..512] == [0x55, 0xaa] && matches!(first[0x10], 1 | 2)
    }

    fn enter(&self, source: &Source, start: u64, into: &mut Anatomy) {
        enter(into, source, start);
    }

    fn quiet(&self) -> &[&str] {
        &["reserved sector"]
    }
}

struct Reader {
    start: u64,
    volume: Vec<u8>,
    /// Bits of a table entry.
    width: u64,
    tables: u64,
    table: u64,
    data: u64,
    cluster: u64,
}

impl Reader {
    /// Where a cluster's entry stands in a table, from the volume's start.
    fn entry(&self, table: u64, cluster: u64) -> Range<u64> {
        let bits = cluster * self.width;
        let at = self.tables + table * self.table + bits / 8;
        at..self.tables + table * self.table + (bits + self.width).div_ceil(8)
    }

    fn link(&self, cluster: u64) -> u64 {
        let at = index(self.entry(0, cluster).start);
        match self.width {
            12 if cluster % 2 == 1 => u64::from(u16_at(&self.volume, at) >> 4),
            12 => u64::from(u16_at(&self.volume, at) & 0xfff),
            16 => u64::from(u16_at(&self.volume, at)),
            _ => u64::from(u32_at(&self.volume, at) & 0x0fff_ffff),
        }
    }

    /// A chain; empty for a first cluster of 0.
    fn chain(&self, first: u64) -> Vec<u64> {
        let bad = match self.width {
            12 => 0xff7,
            16 => 0xfff7,
            _ => 0x0fff_fff7,
        };
        let mut chain = Vec::new();
        let mut at = first;
        while at >= 2 && at < bad {
            chain.push(at);
            at = self.link(at);
        }
        chain
    }

    fn place(&self, cluster: u64) -> Range<u64> {
        let at = self.data + (cluster - 2) * self.cluster;
        at..at + self.cluster
    }

    fn in_image(&self, range: &Range<u64>) -> Range<u64> {
        self.start + range.start..self.start + range.end
    }
}

/// A folder to be looked at: the number in its address, its clusters, where its list lies, and what is above it.
struct Folder {
    number: u64,
    pieces: Vec<Range<u64>>,
    /// Clusters of this folder and of those above it.
    links: Vec<u64>,
}

fn enter(into: &mut Anatomy, source: &Source, start: u64) {
    let boot = bytes(source, start..start + 512);
    let sector = u64::from(u16_at(&boot, 0x0b));
    let (size16, total16) = (u64::from(u16_at(&boot, 0x16)), u64::from(u16_at(&boot, 0x13)));
    let table = if size16 == 0 { u64::from(u32_at(&boot, 0x24)) } else { size16 } * sector;
    let total = if total16 == 0 { u64::from(u32_at(&boot, 0x20)) } else { total16 } * sector;
    let tables = u64::from(u16_at(&boot, 0x0e)) * sector;
    let root = tables + u64::from(boot[0x10]) * table;
    let root_end = root + (u64::from(u16_at(&boot, 0x11)) * 32).div_ceil(sector) * sector;
    let cluster = sector * u64::from(boot[0x0d]);
    let count = (total - root_end) / cluster;
    let width = match count {
        _ if size16 == 0 => 32,
        0..4085 => 12,
        _ => 16,
    };
    let volume = bytes(source, start..start + total);
    let reader = Reader { start, volume, width, tables, table, data: root_end, cluster };
    into.volume(start..start + total);
    let first = if width == 32 { "boot sector" } else { "boot sector without a copy" };
    into.add(&(start..start + 512), first, start, None);
    into.piece(start..start + 512, first);
    if width == 32 {
        let info = start + sector * u64::from(u16_at(&boot, 0x30));
        let backup = start + sector * u64::from(u16_at(&boot, 0x32));
        into.add(&(backup..backup + 512), "backup boot sector", start, None);
        into.add(&(info..info + 512), "free space hint", start, None);
        into.piece(info..info + 512, "free space hint");
    }
    for at in (start..start + tables).step_by(512) {
        into.add(&(at..at + 512), "reserved sector", start, None);
    }
    let mut folders = vec![if width == 32 {
        let chain = reader.chain(u64::from(u32_at(&boot, 0x2c)));
        Folder { number: 0, pieces: chain.iter().map(|cluster| reader.place(*cluster)).collect(), links: chain }
    } else {
        Folder { number: 0, pieces: vec![root..root_end], links: Vec::new() }
    }];
    while let Some(folder) = folders.pop() {
        list(into, &reader, &folder, &mut folders);
    }
    for table in 0..u64::from(boot[0x10]) {
        let range = reader.in_image(&(tables + table * reader.table..tables + (table + 1) * reader.table));
        into.add(&range, if table == 0 { "allocation table" } else { "second allocation table" }, start, None);
    }
    // The entries that say something, so that fields and random damage meet them.
    for cluster in (0..count + 2).filter(|cluster| reader.link(*cluster) != 0) {
        if width != 12 {
            into.piece(reader.in_image(&reader.entry(0, cluster)), "table entry");
        }
    }
}

/// Enters what describes and holds a file or folder: the entries of its chain and of the folders above it.
fn owned(into: &mut Anatomy, reader: &Reader, number: u64, links: &[u64]) {
    for cluster in links {
        let range = reader.in_image(&reader.entry(0, *cluster));
        into.add(&range, "allocation table", reader.start, Some(number));
    }
}

fn list(into: &mut Anatomy, reader: &Reader, folder: &Folder, folders: &mut Vec<Folder>) {
    owned(into, reader, folder.number, &folder.links);
    let kind = if folder.number == 0 { "root folder" } else { "folder" };
    let slots: Vec<u64> = folder.pieces.iter().flat_map(|piece| piece.clone().step_by(32)).collect();
    for piece in &folder.pieces {
        into.add(&reader.in_image(piece), kind, reader.start, Some(folder.number));
    }
    // The slots of a name that wait for their entry; they may stand in clusters far apart.
    let mut set = Vec::new();
    for at in slots {
        let slot = &reader.volume[index(at)..index(at) + 32];
        let range = reader.in_image(&(at..at + 32));
        if slot[0] == 0 {
            break;
        }
        if slot[0] == 0xe5 {
            set.clear();
            continue;
        }
        if slot[0x0b] & 0x3f == 0x0f {
            into.piece(range, "long name entry");
            set.push(at);
            continue;
        }
        into.piece(range.clone(), "folder entry");
        if slot[0x0b] & 0x08 != 0 || slot[0] == b'.' {
            set.clear();
            continue;
        }
        // The whole set is its own.
        set.push(at);
        for slot in set.drain(..) {
            into.add(&reader.in_image(&(slot..slot + 32)), kind, reader.start, Some(at));
        }
        let high = if reader.width == 32 { u64::from(u16_at(slot, 0x14)) } else { 0 };
        let chain = reader.chain(high << 16 | u64::from(u16_at(slot, 0x1a)));
        let mut links = chain.clone();
        links.extend(&folder.links);
        owned(into, reader, at, &links);
        if slot[0x0b] & 0x10 != 0 {
            let pieces = chain.iter().map(|cluster| reader.place(*cluster)).collect();
            folders.push(Folder { number: at, pieces, links });
        } else {
            for cluster in chain {
                into.add(&reader.in_image(&reader.place(cluster)), "content", reader.start, Some(at));
            }
        }
    }
}
