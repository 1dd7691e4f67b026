//! GPTs that lost a part: what other programs say of them where they read them at all.
//!
//! Each table is made by sfdisk, damaged, and shown to sfdisk, sgdisk and partx. Where one of them still lists partitions,
//! they are those that handback lists. Where all of them give up, handback lists what sfdisk had before the damage.

#![expect(clippy::print_stdout, reason = "what other programs say is part of what it shows")]

use std::collections::BTreeMap;
use std::fs::File;
use std::ops::Range;
use std::os::unix::fs::FileExt;
use std::path::Path;

use serde_json::Value;

use crate::common::{Bench, full_map};
use crate::mounts::blank;
use crate::sealed::text;
use crate::tools;

const SECTORS: u64 = 65_536;
/// Number, first sector and number of sectors of each partition.
type Rows = BTreeMap<u64, (u64, u64)>;

/// Two partitions with a FAT volume in each, so that entries can be proven by what stands there.
fn disk(bench: &Bench, name: &str) -> std::path::PathBuf {
    let path = bench.path(name);
    blank(&path, SECTORS * 512);
    let table = "label: gpt\nstart=2048, size=20480, type=EBD0A0A2-B9E5-4433-87C0-68B6B72699C7\n\
                 start=24576, size=32768, type=EBD0A0A2-B9E5-4433-87C0-68B6B72699C7, name=\"the choir's\"\n";
    tools::run_with("sfdisk", &["--quiet", text(&path)], Some(table));
    for (start, sectors) in [("2048", 20_480_u64), ("24576", 32_768)] {
        let blocks = (sectors / 2).to_string();
        tools::run("mkfs.vfat", &["--offset", start, text(&path), &blocks]);
    }
    path
}

fn by_sfdisk(path: &Path) -> Option<Rows> {
    let said = tools::ask("sfdisk", &["--json", text(path)], None);
    let said: Value = serde_json::from_slice(&said.stdout).ok()?;
    let table = &said["partitiontable"];
    if table["label"] != "gpt" {
        return None;
    }
    let rows = table["partitions"].as_array()?.iter().map(|one| {
        let node = one["node"].as_str().expect("a name");
        let number =
            node[node.rfind(|c: char| !c.is_ascii_digit()).map_or(0, |at| at + 1)..].parse().expect("a number");
        (number, (one["start"].as_u64().expect("a sector"), one["size"].as_u64().expect("sectors")))
    });
    Some(rows.collect())
}

fn by_sgdisk(path: &Path) -> Option<Rows> {
    let said = tools::ask("sgdisk", &["--print", text(path)], None);
    let said = String::from_utf8_lossy(&said.stdout).into_owned();
    let (_, rows) = said.split_once("Number  Start (sector)")?;
    let rows: Rows = rows
        .lines()
        .skip(1)
        .filter_map(|line| {
            let mut words = line.split_whitespace().map(str::parse::<u64>);
            let (number, first, last) = (words.next()?.ok()?, words.next()?.ok()?, words.next()?.ok()?);
            Some((number, (first, last - first + 1)))
        })
        .collect();
    (!rows.is_empty()).then_some(rows)
}

fn by_partx(path: &Path) -> Option<Rows> {
    let said = tools::ask("partx", &["--show", "--noheadings", "--output", "NR,START,SECTORS", text(path)], None);
    let said = String::from_utf8_lossy(&said.stdout).into_owned();
    let rows: Rows = said
        .lines()
        .filter_map(|line| {
            let words: Vec<u64> = line.split_whitespace().map_while(|word| word.parse().ok()).collect();
            (words.len() == 3).then(|| (words[0], (words[1], words[2])))
        })
        .collect();
    (!rows.is_empty()).then_some(rows)
}

#[test]
fn what_other_programs_say_of_each_loss() {
    let bench = Bench::new();
    let sound = disk(&bench, "sound.img");
    let truth = by_sfdisk(&sound).expect("a sound table");
    assert_eq!(truth.len(), 2);
    let parts: [(&str, Range<u64>); 4] = [
        ("primary header", 1..2),
        ("primary entries", 2..34),
        ("backup entries", SECTORS - 33..SECTORS - 1),
        ("backup header", SECTORS - 1..SECTORS),
    ];
    let mut alone = Vec::new();
    for set in 0_u32..16 {
        let gone: Vec<&(&str, Range<u64>)> = (0..4).filter(|bit| set >> bit & 1 == 1).map(|bit| &parts[bit]).collect();
        let what: Vec<&str> = gone.iter().map(|(name, _)| *name).collect();
        let path = bench.path(&format!("lost{set}.img"));
        std::fs::copy(&sound, &path).expect("own files");
        let file = File::options().write(true).open(&path).expect("own disk");
        for (_, range) in &gone {
            let zeros = vec![0; usize::try_from((range.end - range.start) * 512).expect("a few sectors")];
            file.write_all_at(&zeros, range.start * 512).expect("own disk");
        }
        drop(file);
        bench.file(&format!("lost{set}.map.csv"), full_map(SECTORS * 512, &[]));
        let document = bench.run(&format!("layout lost{set}.img --json")).json("layout");
        let rows = document["table"]["partitions"].as_array().expect("partitions").iter();
        let ours: Rows = rows
            .map(|one| {
                let number = |key: &str| one[key].as_u64().expect("a number");
                (number("number"), (number("start") / 512, number("length") / 512))
            })
            .collect();
        let mut said = Vec::new();
        for (tool, theirs) in [("sfdisk", by_sfdisk(&path)), ("sgdisk", by_sgdisk(&path)), ("partx", by_partx(&path))] {
            if let Some(theirs) = theirs {
                assert_eq!(ours, theirs, "without {what:?}: {tool}");
                said.push(tool);
            }
        }
        let array_left = set & 0b0110 != 0b0110;
        assert_eq!(ours, if array_left { truth.clone() } else { Rows::new() }, "without {what:?}");
        let header_left = set & 0b1001 != 0b1001;
        assert_eq!(document["table"]["complete"], array_left && header_left, "without {what:?}");
        println!("without {what:?}: listed by {said:?}, by handback {} partitions", ours.len());
        if said.is_empty() && !ours.is_empty() {
            alone.push(what.join(", "));
        }
        std::fs::remove_file(&path).expect("own file");
    }
    println!("handback alone lists partitions without: {alone:#?}");
    assert!(!alone.is_empty(), "an array without headers is more than the other programs read");
}
