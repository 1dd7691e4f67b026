//! Cuts the first inputs of `corpus/` from `../test-images`: `cargo run --example seeds` in `fuzz/`.
//!
//! Of a volume it takes the boot sector, some records of the file table, folders' lists, the bitmap and the beginnings
//! of files; of a disk what is not zeros at the beginning and the end. `checks/sparse.rs` says how they are packed.

#![expect(clippy::disallowed_methods, reason = "it writes the corpus and nothing else")]

use std::collections::BTreeSet;
use std::io::Read;
use std::path::Path;
use std::sync::Arc;

use handback::catalog::{Extents, Place};
use handback::filesystem::{self, SweepOptions};
use handback::image::MemoryImage;
use handback::progress::Silent;
use handback::source::Source;

const SECTOR: usize = 512;
/// Sectors in a seed: a file of the corpus stays below 64 KB.
const MOST: usize = 84;
const MOST_STRETCHES: usize = 60;
const RECORDS: usize = 28;
/// Sectors in a seed of a FAT volume, which needs fewer.
const FAT_MOST: usize = 20;
/// All that a header can ask for: read, deleted, lists, checksums.
const FLAGS: u8 = 15;

fn main() {
    for name in [
        "ntfs-attrlist",
        "ntfs-compressed-1k",
        "ntfs-deleted",
        "ntfs-recycle",
        "ntfs-reparse",
        "ntfs-streams",
        "ntfs-wof-lzx",
        "ntfs-wof-xpress4k",
    ] {
        let image = image(name);
        let seed = pack(&image, &volume(&image, MOST), 0);
        write("ntfs", name, &seed);
        if name == "ntfs-streams" {
            write("split_reads", name, &seed);
            write("volumes", name, &seed);
            write("headless", name, &headless(&image));
        }
    }
    for name in ["fat12", "fat16-deleted", "fat32-few"] {
        let image = image(name);
        write("fat", name, &pack(&image, &fat_volume(&image), 0));
    }
    for name in ["exfat-c512", "exfat-deleted", "exfat-odd"] {
        let image = image(name);
        write("exfat", name, &pack(&image, &exfat_volume(&image), 0));
    }
    for name in ["gpt-128", "gpt-256", "gpt-hybrid", "mbr-logical", "mbr-outoforder", "mbr-primary", "dynamic-mbr"] {
        let image = image(name);
        write("partition", name, &pack(&image, &table(&image, 4096), 0));
        write("volumes", name, &pack(&image, &table(&image, 512), 0));
    }
    // Its sectors have 4096 bytes: 256 shifted by 4.
    let image = image("gpt-4k");
    write("partition", "gpt-4k", &pack(&image, &table(&image, 4096), 4));
    chunks();
}

/// Sound and broken volumes' bytes by sector, the most telling first, until there are enough.
fn volume(image: &[u8], most: usize) -> BTreeSet<usize> {
    let cluster = number(image, 0x0b, 2) * number(image, 0x0d, 1);
    let table = number(image, 0x30, 8) * cluster;
    let mut records: Vec<usize> =
        (0..).map(|record| table + record * 1024).take_while(|at| image[*at..].starts_with(b"FILE")).collect();
    records.retain(|at| number(image, at + 0x18, 4) > 0x100);
    let is_special = |at: &usize| {
        let first = at + number(image, at + 0x14, 2);
        let (second, base) = (first + number(image, first + 4, 4), number(image, at + 0x20, 8));
        base != 0 || number(image, second.min(at + 1000), 4) == 0x20 || number(image, at + 0x16, 2) & 1 == 0
    };
    // Records that go on in others stand beside them.
    let belongs_to = |at: &usize| match number(image, at + 0x20, 6) {
        0 => (at - table) / 1024,
        base => base,
    };
    records.sort_by_key(|at| (*at >= table + 12 * 1024 && !is_special(at), belongs_to(at), *at));
    let mut wanted: Vec<usize> = vec![0];
    wanted.extend(records.iter().take(RECORDS).flat_map(|at| [at / SECTOR, at / SECTOR + 1]));
    let lists = (0..image.len() / SECTOR).filter(|sector| image[sector * SECTOR..].starts_with(b"INDX"));
    wanted.extend(lists.take(2).flat_map(|sector| sector..sector + 4));
    // Files that lie elsewhere, the kept records' first.
    let source = Source::without_map(Arc::new(MemoryImage::new(image.to_vec())));
    let reader = filesystem::open(&source).expect("in memory").expect("NTFS");
    let swept = reader
        .sweep(SweepOptions { deleted: true, cross_check: true, ..SweepOptions::default() }, &Silent)
        .expect("a sound image");
    for (id, object) in swept.catalog.objects() {
        let kept = records.iter().take(RECORDS).any(|at| (at - table) / 1024 == object.locator as usize);
        // The log, the table of capitals and the like are long and say nothing.
        if (kept && object.locator >= 12) || object.locator == 6 {
            if let Ok(extents) = reader.extents(&swept.catalog, id) {
                wanted.extend(beginning(&extents, if object.locator == 6 { 1 } else { 8 }));
            }
        }
    }
    let mut taken = BTreeSet::new();
    for sector in wanted {
        if taken.len() < most && stretches(&taken).len() < MOST_STRETCHES && is_used(image, sector) {
            taken.insert(sector);
        }
    }
    taken
}

/// A volume's records and their mirror without a boot sector, behind the layout that this one has.
fn headless(image: &[u8]) -> Vec<u8> {
    const RECORDS_ONLY: usize = 36;
    let cluster = number(image, 0x0b, 2) * number(image, 0x0d, 1);
    let (table, mirror) = (number(image, 0x30, 8), number(image, 0x38, 8));
    let mut wanted = volume(image, RECORDS_ONLY);
    wanted.remove(&0);
    let copies = mirror * cluster / SECTOR;
    wanted.extend((copies..copies + 8).filter(|sector| is_used(image, *sector)));
    // Clusters of 4,096 and records of 1,024 bytes; all was searched.
    let mut bytes = vec![0x24];
    bytes.extend_from_slice(&(table as u32).to_le_bytes());
    bytes.extend_from_slice(&(mirror as u32).to_le_bytes());
    bytes.extend_from_slice(&(image.len() as u64).to_le_bytes()[..6]);
    bytes.push(1);
    bytes.resize(0x20, 0);
    bytes.extend(pack(image, &wanted, 0));
    bytes
}

/// A FAT volume's boot sectors, the beginnings of its tables, its folders' lists and the beginnings of some files.
fn fat_volume(image: &[u8]) -> BTreeSet<usize> {
    let table = match number(image, 0x16, 2) {
        0 => number(image, 0x24, 4),
        size => size,
    };
    let first = number(image, 0x0e, 2);
    let mut wanted = vec![0, 1, 6, first, first + 1, first + table, first + table + 1];
    let source = Source::without_map(Arc::new(MemoryImage::new(image.to_vec())));
    let reader = filesystem::open(&source).expect("in memory").expect("FAT");
    let options = SweepOptions { deleted: true, ..SweepOptions::default() };
    let swept = reader.sweep(options, &Silent).expect("a sound image");
    wanted.extend(swept.catalog.objects().map(|(_, object)| object.locator as usize / SECTOR));
    for (id, _) in swept.catalog.objects().take(40) {
        wanted.extend(reader.extents(&swept.catalog, id).iter().flat_map(|extents| beginning(extents, 1)));
    }
    let mut taken = BTreeSet::new();
    for sector in wanted {
        if taken.len() < FAT_MOST && is_used(image, sector) {
            taken.insert(sector);
        }
    }
    taken
}

fn beginning(extents: &Extents, sectors: usize) -> Vec<usize> {
    match extents {
        Extents::Resident(_) => Vec::new(),
        Extents::Packed(packed) => beginning(&packed.stored, 24),
        Extents::Runs(runs) => {
            let starts = runs.runs.iter().filter_map(|run| match run.place {
                Place::At(at) => Some((at as usize / SECTOR, run.length as usize / SECTOR)),
                _ => None,
            });
            starts.flat_map(|(start, count)| start..start + count).take(sectors).collect()
        }
    }
}

/// Both boot regions, the beginnings of the table, of the bitmap and of the lists of folders, and of some files.
fn exfat_volume(image: &[u8]) -> BTreeSet<usize> {
    let (table, heap) = (number(image, 0x50, 4), number(image, 0x58, 4));
    let source = Source::without_map(Arc::new(MemoryImage::new(image.to_vec())));
    let reader = filesystem::open(&source).expect("in memory").expect("exFAT");
    let options = SweepOptions { deleted: true, ..SweepOptions::default() };
    let swept = reader.sweep(options, &Silent).expect("a sound image");
    let mut wanted: Vec<usize> = (0..24).chain(table..table + 3).chain([heap]).collect();
    // Folders' lists are where entries are.
    wanted.extend(swept.catalog.objects().map(|(_, object)| object.locator as usize / SECTOR));
    wanted.truncate(24 + 4 + 60);
    let mut taken = BTreeSet::new();
    for sector in wanted {
        if taken.len() < MOST / 2 && stretches(&taken).len() < MOST_STRETCHES && is_used(image, sector) {
            taken.insert(sector);
        }
    }
    taken
}

/// The tables of a disk, with no more than `inside` bytes of what lies in it, at 1 MiB.
fn table(image: &[u8], inside: usize) -> BTreeSet<usize> {
    let sectors = image.len() / SECTOR;
    let all = (0..64).chain(sectors - 34..sectors).chain(2048..2048 + inside / SECTOR);
    // Logical volumes have tables of their own.
    let chain = (64..sectors - 34).filter(|sector| {
        let sector = &image[sector * SECTOR..(sector + 1) * SECTOR];
        sector.ends_with(&[0x55, 0xaa]) && sector[..0x1be].iter().all(|byte| *byte == 0)
    });
    all.chain(chain.take(8)).filter(|sector| is_used(image, *sector)).take(MOST).collect()
}

/// Packed chunks need no volume: the stream beside each system-compressed file, the smallest ones.
fn chunks() {
    for (name, kind) in [("ntfs-wof-lzx", 7_u8), ("ntfs-wof-xpress4k", 0), ("ntfs-wof-xpress16k", 4)] {
        let source = Source::without_map(Arc::new(MemoryImage::new(image(name))));
        let reader = filesystem::open(&source).expect("in memory").expect("NTFS");
        let swept = reader.sweep(SweepOptions::default(), &Silent).expect("a sound image");
        let mut streams: Vec<(u64, Vec<u8>)> = Vec::new();
        for (id, _) in swept.catalog.objects() {
            if let Ok(Extents::Packed(packed)) = reader.extents(&swept.catalog, id) {
                let mut bytes = Vec::new();
                let read = handback::content::read(reader.source(), &packed.stored, &mut |piece| {
                    bytes.extend_from_slice(piece);
                    Ok(())
                });
                read.expect("in memory");
                streams.push((packed.size, bytes));
            }
        }
        streams.sort_by_key(|(size, bytes)| (bytes.len(), *size));
        streams.retain(|(_, bytes)| bytes.len() > 64);
        for (index, (size, bytes)) in streams.iter().filter(|(_, bytes)| bytes.len() < 16_000).take(4).enumerate() {
            let mut seed = vec![kind];
            seed.extend_from_slice(&size.to_le_bytes()[..3]);
            seed.extend_from_slice(&[100, 0]);
            seed.extend_from_slice(bytes);
            write("chunks", &format!("{name}-{index}"), &seed);
        }
    }
}

fn number(bytes: &[u8], offset: usize, width: usize) -> usize {
    bytes[offset..offset + width].iter().rev().fold(0, |sum, byte| sum << 8 | usize::from(*byte))
}

fn is_used(image: &[u8], sector: usize) -> bool {
    image[sector * SECTOR..(sector + 1) * SECTOR].iter().any(|byte| *byte != 0)
}

fn stretches(sectors: &BTreeSet<usize>) -> Vec<(usize, usize)> {
    let mut all: Vec<(usize, usize)> = Vec::new();
    for sector in sectors {
        match all.last_mut() {
            Some((start, count)) if *start + *count == *sector => *count += 1,
            _ => all.push((*sector, 1)),
        }
    }
    all
}

fn pack(image: &[u8], sectors: &BTreeSet<usize>, shift: u8) -> Vec<u8> {
    let stretches = stretches(sectors);
    let mut seed = vec![FLAGS, shift];
    seed.extend_from_slice(&(stretches.len() as u16).to_le_bytes());
    seed.extend_from_slice(&((image.len() / SECTOR) as u32).to_le_bytes());
    seed.resize(0x20, 0);
    for (start, count) in &stretches {
        seed.extend_from_slice(&(*start as u32).to_le_bytes());
        seed.extend_from_slice(&(*count as u16).to_le_bytes());
    }
    for sector in sectors {
        seed.extend_from_slice(&image[sector * SECTOR..(sector + 1) * SECTOR]);
    }
    seed
}

fn image(name: &str) -> Vec<u8> {
    let packed = std::fs::read(format!("../test-images/{name}.img.zst")).expect("run it in fuzz/");
    let mut bytes = Vec::new();
    let mut decoder = ruzstd::decoding::StreamingDecoder::new(&packed[..]).expect("a zstd frame");
    decoder.read_to_end(&mut bytes).expect("the frame is whole");
    bytes
}

fn write(target: &str, name: &str, seed: &[u8]) {
    let folder = Path::new("corpus").join(target);
    std::fs::create_dir_all(&folder).expect("run it in fuzz/");
    std::fs::write(folder.join(name), seed).expect("run it in fuzz/");
}
