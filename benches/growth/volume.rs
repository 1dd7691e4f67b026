//! An NTFS volume of any number of files, written record by record: outside drivers take half an hour for a million.
//!
//! Sources of the layout: Linux `fs/ntfs3/ntfs.h`. The volume has what a sweep reads (boot sector, $MFT, root, $Bitmap, folders
//! and files with a cluster each) and no content, so that its image is sparse.

use std::fs::File;
use std::io::{BufWriter, Seek, SeekFrom, Write};
use std::path::Path;

const CLUSTER: u64 = 4096;
const RECORD: usize = 1024;
/// The first record that is no file of the filesystem's own.
const FIRST: u64 = 24;
const MFT: u64 = 4;

/// An attribute with its value in the record. The value stands behind the head of 24 bytes and the name.
fn resident(kind: u32, name: &str, value: &[u8]) -> Vec<u8> {
    let name: Vec<u8> = name.encode_utf16().flat_map(u16::to_le_bytes).collect();
    let start = (24 + name.len()).next_multiple_of(8);
    let mut bytes = vec![0; (start + value.len()).next_multiple_of(8)];
    bytes[..4].copy_from_slice(&kind.to_le_bytes());
    let length = u32::try_from(bytes.len()).expect("short");
    bytes[4..8].copy_from_slice(&length.to_le_bytes());
    bytes[9] = u8::try_from(name.len() / 2).expect("short");
    bytes[10] = 24;
    bytes[16..20].copy_from_slice(&u32::try_from(value.len()).expect("short").to_le_bytes());
    bytes[20] = u8::try_from(start).expect("short");
    bytes[24..24 + name.len()].copy_from_slice(&name);
    bytes[start..start + value.len()].copy_from_slice(value);
    bytes
}

/// An attribute whose value lies in one run of clusters.
fn elsewhere(kind: u32, first: u64, clusters: u64, size: u64) -> Vec<u8> {
    let mut bytes = vec![0; 64];
    bytes[8] = 1;
    bytes[24..32].copy_from_slice(&(clusters - 1).to_le_bytes());
    bytes[32] = 64;
    bytes[40..48].copy_from_slice(&(clusters * CLUSTER).to_le_bytes());
    bytes[48..56].copy_from_slice(&size.to_le_bytes());
    bytes[56..64].copy_from_slice(&size.to_le_bytes());
    bytes.push(0x44);
    bytes.extend(u32::try_from(clusters).expect("few").to_le_bytes());
    bytes.extend(u32::try_from(first).expect("few").to_le_bytes());
    bytes.resize(bytes.len().next_multiple_of(8), 0);
    bytes[..4].copy_from_slice(&kind.to_le_bytes());
    let length = u32::try_from(bytes.len()).expect("short");
    bytes[4..8].copy_from_slice(&length.to_le_bytes());
    bytes
}

fn file_name(parent: u64, name: &str, size: u64) -> Vec<u8> {
    let units: Vec<u16> = name.encode_utf16().collect();
    let mut value = (parent | 1 << 48).to_le_bytes().to_vec();
    value.extend([0; 32]);
    value.extend(size.to_le_bytes());
    value.extend(size.to_le_bytes());
    value.extend([0; 8]);
    value.extend([u8::try_from(units.len()).expect("short"), 1]);
    value.extend(units.iter().flat_map(|unit| unit.to_le_bytes()));
    resident(0x30, "", &value)
}

fn information() -> Vec<u8> {
    // 2020-09-13 12:26:40 UTC.
    let time = 132_444_736_000_000_000_u64.to_le_bytes();
    resident(0x10, "", &[&time[..], &time, &time, &time, &[0; 16]].concat())
}

/// A folder's list of names, empty: a sound volume's is not read.
fn index() -> Vec<u8> {
    let mut value = vec![0; 48];
    value[..4].copy_from_slice(&0x30_u32.to_le_bytes());
    value[4] = 1;
    value[8..12].copy_from_slice(&4096_u32.to_le_bytes());
    value[12] = 1;
    value[16] = 16;
    value[20] = 32;
    value[24] = 32;
    value[40] = 16;
    value[44] = 2;
    resident(0x90, "$I30", &value)
}

fn record(number: u64, is_folder: bool, attributes: &[Vec<u8>]) -> Vec<u8> {
    let mut bytes = vec![0; 0x38];
    bytes[..4].copy_from_slice(b"FILE");
    bytes[4] = 0x30;
    bytes[6] = 3;
    bytes[0x10] = 1;
    bytes[0x12] = 1;
    bytes[0x14] = 0x38;
    bytes[0x16] = if is_folder { 3 } else { 1 };
    bytes[0x1c..0x20].copy_from_slice(&1024_u32.to_le_bytes());
    bytes[0x2c..0x30].copy_from_slice(&u32::try_from(number).expect("few").to_le_bytes());
    attributes.iter().for_each(|attribute| bytes.extend(attribute));
    bytes.extend([0xff, 0xff, 0xff, 0xff, 0, 0, 0, 0]);
    let used = u32::try_from(bytes.len()).expect("short");
    bytes[0x18..0x1c].copy_from_slice(&used.to_le_bytes());
    bytes.resize(RECORD, 0);
    bytes[0x30] = 7;
    for stride in 1..=2 {
        let end = stride * 512;
        let word = [bytes[end - 2], bytes[end - 1]];
        bytes[0x30 + 2 * stride..][..2].copy_from_slice(&word);
        bytes[end - 2..end].copy_from_slice(&[7, 0]);
    }
    bytes
}

/// Where the content of the files lies, in bytes: sectors for holes that cost files and no records.
pub(crate) struct Content {
    pub(crate) start: u64,
    pub(crate) length: u64,
    pub(crate) image: u64,
}

/// Makes a volume of `files` files, `each` in a folder.
pub(crate) fn make(path: &Path, files: u64, each: u64) -> Content {
    let folders = files.div_ceil(each);
    let records = (FIRST + folders + files).next_multiple_of(4);
    let table = (records * RECORD as u64).div_ceil(CLUSTER);
    let in_use = records.div_ceil(8).div_ceil(CLUSTER);
    let (mirror, table_bitmap) = (MFT + table, MFT + table + 1);
    let volume_bitmap = table_bitmap + in_use;
    // One more than is needed by its own length.
    let bitmap = (volume_bitmap + files + files / 8000 + 8).div_ceil(8 * CLUSTER) + 1;
    let content = volume_bitmap + bitmap;
    let clusters = content + files;

    #[expect(clippy::disallowed_methods, reason = "the bench's own image")]
    let mut file = BufWriter::with_capacity(1 << 20, File::create_new(path).expect("a folder of its own"));
    let mut write = |at: u64, bytes: &[u8]| {
        file.seek(SeekFrom::Start(at)).expect("room");
        file.write_all(bytes).expect("room");
    };
    let mut boot = vec![0; 512];
    boot[3..11].copy_from_slice(b"NTFS    ");
    boot[0x0b..0x0d].copy_from_slice(&512_u16.to_le_bytes());
    boot[0x0d] = 8;
    boot[0x15] = 0xf8;
    boot[0x28..0x30].copy_from_slice(&(clusters * 8).to_le_bytes());
    boot[0x30..0x38].copy_from_slice(&MFT.to_le_bytes());
    boot[0x38..0x40].copy_from_slice(&mirror.to_le_bytes());
    boot[0x40] = 0xf6;
    boot[0x44] = 1;
    boot[0x48] = 7;
    boot[0x1fe..].copy_from_slice(&[0x55, 0xaa]);
    write(0, &boot);
    write(clusters * CLUSTER, &boot);
    let own = [
        (
            0,
            vec![
                information(),
                file_name(5, "$MFT", 0),
                elsewhere(0x80, MFT, table, records * RECORD as u64),
                elsewhere(0xb0, table_bitmap, in_use, records.div_ceil(8)),
            ],
        ),
        (1, vec![information(), file_name(5, "$MFTMirr", 0), elsewhere(0x80, mirror, 1, 4096)]),
        (5, vec![information(), file_name(5, ".", 0), index()]),
        (
            6,
            vec![
                information(),
                file_name(5, "$Bitmap", 0),
                elsewhere(0x80, volume_bitmap, bitmap, clusters.div_ceil(8)),
            ],
        ),
        (7, vec![information(), file_name(5, "$Boot", 0), elsewhere(0x80, 0, MFT, MFT * CLUSTER)]),
    ];
    for (number, attributes) in &own {
        let bytes = record(*number, *number == 5, attributes);
        write(MFT * CLUSTER + number * RECORD as u64, &bytes);
        if *number < 4 {
            write(mirror * CLUSTER + number * RECORD as u64, &bytes);
        }
    }
    let mut bits = vec![0_u8; usize::try_from(records.div_ceil(8)).expect("fits")];
    let mut set = |number: u64| bits[usize::try_from(number / 8).expect("fits")] |= 1 << (number % 8);
    own.iter().for_each(|(number, _)| set(*number));
    (FIRST..FIRST + folders + files).for_each(&mut set);
    write(table_bitmap * CLUSTER, &bits);
    let mut bits = vec![0xff_u8; usize::try_from(clusters / 8).expect("fits")];
    bits.push(u8::try_from((1_u16 << (clusters % 8)) - 1).expect("a byte"));
    write(volume_bitmap * CLUSTER, &bits);
    for number in 0..folders {
        let name = file_name(5, &format!("Year {number}"), 0);
        let bytes = record(FIRST + number, true, &[information(), name, index()]);
        write(MFT * CLUSTER + (FIRST + number) * RECORD as u64, &bytes);
    }
    for number in 0..files {
        let name = file_name(FIRST + number / each, &format!("Choir practice {number:07}.mp3"), 4000);
        let bytes =
            record(FIRST + folders + number, false, &[information(), name, elsewhere(0x80, content + number, 1, 4000)]);
        write(MFT * CLUSTER + (FIRST + folders + number) * RECORD as u64, &bytes);
    }
    file.flush().expect("room");
    Content { start: content * CLUSTER, length: files * CLUSTER, image: clusters * CLUSTER + 512 }
}
