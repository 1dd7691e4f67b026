//! `handback map wanted`: what to read again, as the technician uses it.

mod common;

use std::ops::Range;

use common::Bench;
use serde_json::Value;

/// Where the allocation tables of `fat16` end: one reserved sector and two tables of 18 (`fsck.fat -v`).
const TABLES_END: u64 = (1 + 2 * 18) * 512;

/// The ranges that a round of a document asks for.
fn ranges(document: &Value, round: &str) -> Vec<Range<u64>> {
    let all = document[round]["ranges"].as_array().expect("a list");
    all.iter()
        .map(|range| {
            let start = range["start"].as_u64().expect("a number");
            start..start + range["length"].as_u64().expect("a number")
        })
        .collect()
}

fn total(ranges: &[Range<u64>]) -> u64 {
    ranges.iter().map(|range| range.end - range.start).sum()
}

/// Parts of holes that were not read by a pass.
fn left(holes: &[Range<u64>], read: &[Range<u64>]) -> Vec<Range<u64>> {
    let mut left = holes.to_vec();
    for read in read {
        left = left
            .into_iter()
            .flat_map(|hole| [hole.start..hole.end.min(read.start), hole.start.max(read.end)..hole.end])
            .filter(|part| part.start < part.end)
            .collect();
    }
    left
}

/// The demo's holes by `test-images/demo.map.csv`; the first lies in free space. Of the third, 4,427 bytes are a file's
/// (`test-images/demo.truth.tsv`): that is nine sectors.
#[test]
fn only_what_the_chosen_folder_lacks_is_listed() {
    let bench = Bench::new();
    bench.fixture("demo");
    bench.file("demo.map.csv", common::fixture::file("demo.map.csv"));
    let outcome = bench.run("map wanted demo.img /Users/Choir --to again.csv --sectors again.txt").code(1).harmless();
    outcome.lines_with(&["next: round 2"]);
    outcome.lines_with(&["1 metadata", "nothing is missing"]);
    outcome.lines_with(&["2 content", "12,800", "3 files whole"]);
    // 81,920 bytes of holes.
    let outcome = outcome.out_has("6.4 times smaller").err_has("its last").err_has("goes to a specialist");
    outcome.err_has("wrote `again.csv`: round 2, 3 ranges").err_has("wrote `again.txt`");
    let document = bench.run("map wanted demo.img /Users/Choir --json").code(1).json("map wanted");
    let asked = ranges(&document, "content");
    assert_eq!(asked, [24_621_056..24_625_152, 74_633_216..74_637_824, 91_439_104..91_443_200]);
    assert_eq!((document["round"].as_u64(), document["holes_bytes"].as_u64()), (Some(2), Some(81_920)));
    assert_eq!(document["content"]["ranges"][0]["state"], "unread");
    assert_eq!(document["content"]["ranges"][0]["what"], serde_json::json!(["content"]));
    let lines: Vec<String> = asked.iter().map(|one| format!("{} {}", one.start / 512, one.end / 512 - 1)).collect();
    assert_eq!(bench.text("again.txt").lines().collect::<Vec<_>>(), lines);
    // The list is a map.
    let shown = bench.run("map show --map again.csv --json").code(0).json("map show");
    assert_eq!(shown["map"]["totals"]["unread"].as_u64(), Some(12_800));
    assert_eq!(shown["map"]["totals"]["read"].as_u64(), Some(0));
    let one =
        bench.run_words(&["map", "wanted", "demo.img", "/Scores 2009", "--sectors", "counts.txt", "--sector-counts"]);
    one.code(0).out_has("nothing to read again").err_has("`counts.txt` was not written");
    assert!(!bench.path("counts.txt").exists());
    bench.run("map wanted demo.img /Users/Choir --round 1 --sectors none.txt").code(1).err_has("was not written");
    bench.run("map wanted demo.img /Users/Choir --sectors counts.txt --sector-counts").code(1);
    assert_eq!(bench.text("counts.txt").lines().next(), Some("48088 8"));
}

#[test]
fn pass_after_pass_until_all_is_whole() {
    let bench = Bench::new();
    let image = bench.fixture("ntfs-c4k");
    let length = std::fs::metadata(image).unwrap().len();
    bench.map_beside("ntfs-c4k", &[]);
    let all = bench.run("list ntfs-c4k.img / --recursive --json").code(0).json_lines("list");
    let placed = |line: &&Value| line["kind"] == "file" && line["size"].as_u64() > Some(20_000);
    let file = all.iter().find(placed).expect("a file with clusters")["path"].as_str().unwrap().to_string();
    // $MFT begins in cluster 4 of these volumes (mkntfs); a sector of every third record, and pieces
    // of all that is behind.
    let records = (24..400_u64).step_by(3).map(|number| 0x4000 + number * 1024..0x4000 + number * 1024 + 512);
    let pieces = (4..length >> 18).map(|number| number << 18..(number << 18) + 16_384);
    let holes: Vec<Range<u64>> = records.chain(pieces).collect();
    bench.map_beside("ntfs-c4k", &holes);
    bench.run("list ntfs-c4k.img / --recursive").code(1);
    let mut holes = holes;
    let mut rounds = Vec::new();
    let mut map = "ntfs-c4k.map.csv".to_string();
    loop {
        let document = bench.run(&format!("map wanted ntfs-c4k.img / --map {map} --json"));
        let Some(round) = document.json("map wanted")["round"].as_u64() else {
            document.code(0);
            break;
        };
        let document = document.code(1).json("map wanted");
        let asked = ranges(&document, if round == 1 { "metadata" } else { "content" });
        assert!(total(&asked) > 0 && rounds.len() < 4, "{rounds:?}");
        rounds.push(round);
        let after = left(&holes, &asked);
        assert_eq!(total(&holes) - total(&after), total(&asked), "only holes are asked for");
        // A further pass has a log of its own: what it read, and nothing of the rest.
        let rows: Vec<String> = asked.iter().map(|one| format!("{},{},read", one.start, one.end - one.start)).collect();
        let log = format!(
            "# handback sector map 1\n# image-length: {length}\n# basis: full\nstart,length,state\n{}\n",
            rows.join("\n")
        );
        let number = rounds.len();
        bench.file(&format!("pass-{number}.csv"), log);
        bench.run(&format!("map merge {map} pass-{number}.csv --to joined-{number}.csv")).code(0);
        map = format!("joined-{number}.csv");
        holes = after;
    }
    assert_eq!((rounds.first(), rounds.last()), (Some(&1), Some(&2)), "{rounds:?}");
    let lines = bench.run(&format!("list ntfs-c4k.img / --recursive --json --map {map}")).code(0).json_lines("list");
    assert_eq!(lines.len(), all.len());
    assert!(total(&holes) > 0, "what nobody needs is still not read");
    // Of one file, only what it lacks.
    let words = ["map", "wanted", "ntfs-c4k.img", &file, "--json"];
    let one = bench.run_words(&words).json("map wanted");
    assert!(one["metadata"]["bytes"].as_u64() < Some(100 * 1024), "{one}");
}

#[test]
fn what_was_not_found_may_stand_in_a_hole() {
    let bench = Bench::new();
    bench.fixture("fat16");
    bench.map_beside("fat16", &[]);
    let lines = bench.run("list fat16.img / --recursive --json").code(0).json_lines("list");
    let in_folder = |line: &&Value| {
        let path = line["path"].as_str().unwrap();
        line["kind"] == "file" && path.matches('/').count() == 2
    };
    let file = lines.iter().find(in_folder).expect("a file in a folder");
    let (path, address) = (file["path"].as_str().unwrap(), file["address"].as_str().unwrap());
    let entry: u64 = address.strip_prefix("entry:").unwrap().parse().unwrap();
    let sector = entry / 512 * 512;
    bench.map_beside("fat16", &[sector..sector + 512]);
    let outcome =
        bench.run_words(&["map", "wanted", "fat16.img", path, "--json"]).code(1).err_has("may have been there");
    let document = outcome.json("map wanted");
    assert_eq!((document["round"].as_u64(), ranges(&document, "metadata")), (Some(1), vec![sector..sector + 512]));
    // The boot sector alone: the volume is opened without it, and nothing is lacking.
    bench.map_beside("fat16", &[0..512]);
    let document = bench.run("map wanted fat16.img / --json").code(0).json("map wanted");
    assert_eq!((document["round"].as_u64(), document["files_not_whole"].as_u64()), (None, Some(0)));
    // With both tables: nothing can be opened.
    bench.map_beside("fat16", &[0..TABLES_END]);
    let document = bench.run("map wanted fat16.img / --json").code(1).json("map wanted");
    assert_eq!(ranges(&document, "metadata"), [0..512]);
    // What is in the first sector, nobody can tell before it is read.
    assert_eq!(document["metadata"]["ranges"][0]["what"], serde_json::json!(["partition-table", "boot-sector"]));
}

#[test]
fn mistakes_are_told_and_nothing_is_overwritten() {
    let bench = Bench::new();
    bench.fixture("fat16");
    bench.map_beside("fat16", &[]);
    bench.run("map wanted fat16.img /nowhere").code(2).err_has("`/nowhere` is not there");
    bench.run("map wanted fat16.img").code(2).err_has("<PATH>");
    bench.run("map wanted fat16.img / --round 3").code(2);
    bench.run("map wanted fat16.img / --sector-counts").code(2);
    bench.run("map wanted fat16.img / --to list.txt").code(2).err_has("`.csv`");
    bench.run("map wanted fat16.img / --to list.csv").code(0).err_has("was not written");
    bench.file("list.csv", "mine");
    bench.map_beside("fat16", &[0..TABLES_END]);
    bench.run("map wanted fat16.img / --to list.csv").code(3).err_has("there already");
    assert_eq!(bench.text("list.csv"), "mine");
    // Without a map there are no holes that anybody knows.
    bench.remove("fat16.map.csv");
    bench.run("map wanted fat16.img /").code(0).err_has("no map speaks for");
}
