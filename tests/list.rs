//! `handback list`: what is shown of a folder, how it is named, and what is said of names that are not there.

mod common;

use std::collections::{BTreeMap, BTreeSet};

use common::edit::Edit;
use common::fixture::{self, Truth};
use common::{Bench, Outcome};
use serde_json::{Value, json};

fn bench(name: &str) -> Bench {
    let bench = Bench::new();
    bench.fixture(name);
    bench
}

/// The lines of a listing, by path.
fn by_path(outcome: &Outcome) -> BTreeMap<String, Value> {
    outcome.json_lines("list").into_iter().map(|line| (line["path"].as_str().unwrap().to_string(), line)).collect()
}

#[test]
fn everything_below_is_what_the_truth_says() {
    for (name, volume, line) in [
        ("ntfs-c512", None, "list ntfs-c512.img --recursive --json"),
        ("ntfs-streams", None, "list ntfs-streams.img --recursive --json"),
        ("mbr-outoforder", Some(4), "list mbr-outoforder.img 7:/ --recursive --json"),
        ("gpt-4k", Some(4), "list gpt-4k.img / --volume 4 --recursive --json"),
    ] {
        let bench = bench(name);
        bench.map_beside(name, &[]);
        let found = by_path(&bench.run(line).code(0));
        let truth = volume.map_or_else(|| fixture::truth(name), |volume| fixture::truth_of_volume(name, volume));
        let mut expected: BTreeSet<String> = truth.iter().map(Truth::path_text).collect();
        if name == "ntfs-streams" {
            // A stream stands beside every name of its file.
            let names = ["/Evening link.txt", "/Songs/Evening, the same folder.txt", "/Songs/Old/Evening.txt"];
            expected.extend(names.map(|name| format!("{name}:remark")));
        }
        assert_eq!(found.keys().cloned().collect::<BTreeSet<_>>(), expected, "{name}");
        for one in &truth {
            let line = &found[&one.path_text()];
            assert_eq!(line["kind"], one.kind, "{line}");
            if let Some(size) = one.size {
                assert_eq!((&line["size"], &line["state"]), (&json!(size), &json!("whole")), "{line}");
            }
            if one.kind == "folder" {
                assert_eq!(line["completeness"], "complete", "{line}");
            }
            for key in ["created", "modified"] {
                let Some(time) = one.value(key) else { continue };
                assert_eq!(line[key], time, "{line}");
            }
        }
    }
}

#[test]
fn a_line_has_every_field() {
    let bench = bench("ntfs-c512");
    let outcome = bench.run_words(&["list", "ntfs-c512.img", "/Crowd", "--json"]).code(0);
    let lines = by_path(&outcome);
    let line = &lines["/Crowd/song 0001 la.txt"];
    let truth =
        fixture::truth("ntfs-c512").into_iter().find(|one| one.path_text() == "/Crowd/song 0001 la.txt").unwrap();
    let mut expected = json!({
        "handback_json": 1, "command": "list", "volume": 1, "path": "/Crowd/song 0001 la.txt",
        "name": "song 0001 la.txt", "kind": "file", "state": "unproven", "reasons": [], "encrypted": false,
        "unknown": true, "decoded": true, "size": 2, "allocated": 0, "gap_bytes": 0, "never_here_bytes": 0,
        "gaps": [], "created": truth.value("created"), "modified": truth.value("modified"), "zone": "UTC",
    });
    expected["address"] = line["address"].clone();
    expected["attributes"] = line["attributes"].clone();
    assert!(line["address"].as_str().unwrap().starts_with("record:") && line["attributes"].is_array());
    assert_eq!(line, &expected);
}

#[test]
fn a_folder_a_file_and_an_address_are_found() {
    let bench = bench("mbr-logical");
    let outcome = bench.run("list mbr-logical.img /users/FIRST --time-zone UTC").code(0);
    outcome.lines_with(&["letter.txt", "1,800", "2008-08-23 22:21"]);
    outcome.lines_with(&["picture.bin", "30,000", "2010-03-19 02:39"]);
    outcome.err_has("2 files, 31.8 kB (31,800 bytes); 0 folders").err_has("2 of them unproven");
    // Vienna is two hours ahead in summer, and one in winter.
    let outcome = bench.run("list mbr-logical.img /Users/First --time-zone Europe/Vienna").code(0);
    outcome.lines_with(&["letter.txt", "2008-08-24 00:21"]);
    outcome.lines_with(&["picture.bin", "2010-03-19 03:39"]);
    bench.run("list mbr-logical.img /Users/First --time-zone Vienna").code(2).err_has("`Europe/Vienna`");

    let file = bench.run("list mbr-logical.img /Users/First/letter.txt --json").code(0).json_lines("list");
    assert_eq!((file.len(), &file[0]["size"]), (1, &json!(1800)));
    let address = file[0]["address"].as_str().unwrap();
    let again = bench.run(&format!("list mbr-logical.img 1:{address} --json")).code(0).json_lines("list");
    assert_eq!(again, file);
    bench
        .run(&format!("list mbr-logical.img {address}"))
        .code(2)
        .err_has(&format!("write `1:{address}` or `5:{address}`"));
}

#[test]
fn a_stream_has_an_address_too() {
    let bench = bench("ntfs-streams");
    let lines = by_path(&bench.run("list ntfs-streams.img /Downloads --json").code(0));
    let stream = &lines["/Downloads/programme.zip:Zone.Identifier"];
    assert_eq!((&stream["kind"], &stream["size"]), (&json!("stream"), &json!(26)));
    let address = stream["address"].as_str().unwrap();
    assert!(address.starts_with("record:") && address.ends_with(":Zone.Identifier"), "{address}");
    let alone = bench.run(&format!("list ntfs-streams.img {address} --json")).code(0).json_lines("list");
    assert_eq!(alone, std::slice::from_ref(stream));
    let names = by_path(&bench.run("list ntfs-streams.img --recursive --json").code(0));
    let linked = ["/Evening link.txt", "/Songs/Old/Evening.txt", "/Songs/Evening over the Mill.txt"]
        .map(|path| &names[path]["address"]);
    assert!(linked[0] == linked[1] && linked[1] == linked[2], "{linked:?}");
}

#[test]
fn names_that_differ_in_case_only_are_told_apart() {
    let bench = bench("ntfs-c4k");
    let lines = by_path(&bench.run("list ntfs-c4k.img /Case --json").code(0));
    let addresses = ["README", "ReadMe", "readme"]
        .map(|name| lines[&format!("/Case/{name}")]["address"].as_str().unwrap().to_string());
    let outcome = bench.run("list ntfs-c4k.img /case/Readme").code(2).err_has("fits several names");
    assert_eq!(outcome.out, "");
    for (address, name) in addresses.iter().zip(["README", "ReadMe", "readme"]) {
        assert!(outcome.err.contains(&format!("`{address}` ({name})")), "{}", outcome.err);
    }
    let exact = bench.run("list ntfs-c4k.img /case/ReadMe --json").code(0).json_lines("list");
    assert_eq!(exact[0]["address"], *addresses[1]);
}

#[test]
fn what_is_not_there_is_2_and_perhaps_lost_is_1() {
    let name = "ntfs-c512";
    let bench = bench(name);
    bench.run("list ntfs-c512.img /Crowd/none.txt").code(2).err_has("`/Crowd/none.txt` is not there");
    bench.run("list ntfs-c512.img record:999999").code(2).err_has("is not there");
    bench.run("list ntfs-c512.img Crowd").code(2).err_has("neither a path nor an address");
    // A record of the crowd in a hole: the folder's own list still names it, so what it doesn't name is not there.
    let song = fixture::truth(name).into_iter().find(|one| one.path_text() == "/Crowd/song 0001 la.txt").unwrap();
    let lines = by_path(&bench.run("list ntfs-c512.img /Crowd --json").code(0));
    let number = |address: &Value| -> u64 { address.as_str().unwrap()["record:".len()..].parse().unwrap() };
    let at = record(&fixture::image(name), number(&lines[&song.path_text()]["address"]));
    bench.map_beside(name, &[at..at + 1024]);
    bench.run("list ntfs-c512.img /Crowd/none.txt").code(2);
    bench.run("list ntfs-c512.img /Crowd").code(1).lines_with(&["unlocated", "song 0001 la.txt"]);
    // The list in a hole, too: what the record described may have been what is looked for.
    let root = by_path(&bench.run("list ntfs-c512.img --json").code(0));
    let volume = Edit::of(name);
    let mut holes = volume.list_blocks(number(&root["/Crowd"]["address"]));
    holes.push(at..at + 1024);
    holes.sort_by_key(|hole| hole.start);
    bench.remove("ntfs-c512.map.csv");
    bench.map_beside(name, &holes);
    bench
        .run("list ntfs-c512.img /Crowd/none.txt")
        .code(1)
        .err_has("was not found, and a folder on its way has lost names");
    let outcome = bench.run("list ntfs-c512.img /Crowd").code(1);
    outcome.lines_with(&["song 0002 lala.txt"]);
    let folder = by_path(&bench.run("list ntfs-c512.img --json").code(1));
    for (path, line) in folder.iter().filter(|(_, line)| line["kind"] == "folder") {
        let word = if path == "/Crowd" { "incomplete" } else { "complete" };
        assert_eq!(line["completeness"], word, "{path}");
    }
}

#[test]
fn a_hole_is_shown_where_it_lies() {
    let bench = bench("demo");
    bench.file("demo.map.csv", fixture::file("demo.map.csv"));
    let truth: BTreeMap<String, Truth> =
        fixture::truth_of_volume("demo", 2).into_iter().map(|one| (one.path_text(), one)).collect();
    let lines = by_path(&bench.run("list demo.img --recursive --json").code(1));
    assert_eq!(lines.keys().collect::<Vec<_>>(), truth.keys().collect::<Vec<_>>());
    for (path, one) in truth.iter().filter(|(_, one)| one.kind == "file") {
        let (state, gaps) = match one.hole() {
            Some(hole) => ("damaged", json!([{"start": hole.start, "length": hole.len(), "why": "unread"}])),
            None if one.has("compressed") => ("whole, not decoded yet", json!([])),
            None => ("whole", json!([])),
        };
        assert_eq!((&lines[path]["state"], &lines[path]["gaps"]), (&json!(state), &gaps), "{path}");
        assert_eq!(lines[path]["decoded"], !one.has("compressed"), "{path}");
        assert_eq!(lines[path]["gap_bytes"], one.hole().map_or(0, |hole| hole.len()), "{path}");
    }
    let outcome = bench.run("list demo.img /Users/Choir/Documents/Minutes/2010").code(1);
    outcome.lines_with(&["damaged", "48,215", "4,096", "Annual report 2010.odt"]);
    outcome.err_has("1 of them damaged, doubtful or not to be found");
    bench.run("list demo.img /Users/Choir/Music").code(0);
}

#[test]
fn a_reader_that_goes_away_is_no_error() {
    let bench = bench("ntfs-c4k");
    for line in [
        "list ntfs-c4k.img --recursive",
        "list ntfs-c4k.img --recursive --json",
        "survey ntfs-c4k.img",
        "layout ntfs-c4k.img",
    ] {
        let outcome = bench.run_unread(line).code(0);
        assert!(!outcome.err.contains("error"), "{}", outcome.err);
    }
}

/// Where file record `number` lies in an image of one volume: it says its number at 2Ch (NTFS 3.1).
fn record(image: &[u8], number: u64) -> u64 {
    let at = image.chunks_exact(512).position(|sector| {
        sector.starts_with(b"FILE") && u64::from(u32::from_le_bytes(sector[0x2C..0x30].try_into().unwrap())) == number
    });
    at.expect("the record is there") as u64 * 512
}

#[test]
fn the_root_of_several_volumes_needs_a_number() {
    let bench = bench("mbr-logical");
    bench
        .run("list mbr-logical.img")
        .code(2)
        .err_has("`/` is on several volumes; write `1:/` or `5:/` or `6:/` or `7:/`");
    bench.run("list mbr-logical.img --volume 5").code(0).lines_with(&["this is volume Logical 5.txt"]);
    bench.run("list mbr-logical.img 3:/").code(2).err_has("there is no volume 3; the image has 1, 5, 6, 7");
    // What stands on one volume only needs none.
    bench.run_words(&["list", "mbr-logical.img", "/Users/Logical 6"]).code(0).lines_with(&["letter.txt"]);
    bench.run("list mbr-logical.img /Users").code(2).err_has("`1:/Users`");
}

#[test]
fn a_locked_volume_is_said_at_once() {
    let bench = bench("foreign");
    bench
        .run("list foreign.img 17:/")
        .code(3)
        .err_has("volume 17 is a BitLocker volume, which can't be read; `layout` says what");
    bench.fixture("dynamic-mbr");
    bench.run("list dynamic-mbr.img").code(3).err_has("no volume can be read");
}

#[test]
fn links_are_shown_with_their_target_and_not_followed() {
    let bench = bench("ntfs-reparse");
    let outcome = bench.run("list ntfs-reparse.img --recursive").code(1);
    outcome.lines_with(&["link", "/Links/junction loop  (link to C:\\\\Links)"]);
    outcome.lines_with(&["link", "/Links/symlink out.txt  (link to ..\\\\..\\\\..\\\\..\\\\outside.txt)"]);
    outcome.lines_with(&["link", "/Links/broken buffer  (link to an unknown place)"]);
    let lines = by_path(&bench.run("list ntfs-reparse.img --recursive --json").code(1));
    let truth: BTreeSet<String> = fixture::truth("ntfs-reparse").iter().map(Truth::path_text).collect();
    assert_eq!(lines.keys().cloned().collect::<BTreeSet<_>>(), truth, "nothing is found through a link");
    let link = &lines["/Links/symlink to folder"];
    assert_eq!(
        (&link["kind"], &link["link_target"], &link["state"]),
        (&json!("link"), &json!(r"..\Real"), &Value::Null)
    );
    assert_eq!(
        lines["/Cloud/partly here.bin"]["gaps"],
        json!([
        {"start": 0, "length": 65536, "why": "never-here"}, {"start": 131_072, "length": 168_928, "why": "never-here"}])
    );
    assert_eq!(lines["/Elsewhere/on tape.bin"]["reasons"], json!(["content-elsewhere"]));
    bench.run("list ntfs-reparse.img /Links/junction").code(0).lines_with(&["(link to C:\\\\Real)"]);
}

#[test]
fn what_was_thrown_away_is_shown_with_its_old_name() {
    let bench = bench("ntfs-recycle");
    let lines = by_path(&bench.run("list ntfs-recycle.img --recursive --json").code(0));
    let screen = bench.run("list ntfs-recycle.img --recursive --time-zone UTC").code(0).harmless();
    let mut compared = 0;
    for one in fixture::truth("ntfs-recycle") {
        let recycled = &lines[&one.path_text()]["recycled"];
        let Some((_, rest)) = one.note.split_once("original=") else {
            assert_eq!(recycled, &Value::Null, "{}", one.path_text());
            continue;
        };
        let original = rest.split_once(" deleted-at=").unwrap().0;
        assert_eq!(recycled["original_path"], original);
        let seconds: i64 = one.value("deleted-at").unwrap().parse().unwrap();
        let deleted = jiff::Timestamp::from_second(seconds).unwrap().to_string();
        assert_eq!(recycled["deleted"], deleted);
        let minute = &deleted.replace('T', " ")[..16];
        screen
            .lines_with(&[&one.path_text(), &format!("(thrown away {minute}, was {})", original.replace('\\', r"\\"))]);
        compared += 1;
    }
    assert!(compared >= 6);
}

#[test]
fn hostile_names_are_shown_and_do_nothing() {
    let bench = bench("ntfs-hostile");
    let outcome = bench.run("list ntfs-hostile.img /Names").code(0).harmless();
    for name in [
        r"  \u{0000}\u{0000}\u{0000}\u{0000}",
        "  ../../etc/outsi",
        r"  a\u{0000}b.txt",
        r"  C:\\",
        r"  \u{D83D} high.txt",
        r"  \u{DF89}\u{D83D}swapped.txt",
    ] {
        outcome.lines_with(&[name]);
    }
    let lines = bench.run("list ntfs-hostile.img /Names --json").code(0).harmless().json_lines("list");
    let raw: BTreeMap<&str, &str> =
        lines.iter().filter_map(|line| Some((line["name_raw"].as_str()?, line["kind"].as_str()?))).collect();
    // U+D83D alone, then " high.txt", as UTF-16LE.
    assert!(raw.contains_key("3dd8200068006900670068002e00740078007400"), "{raw:?}");
    assert_eq!(raw.len(), 3, "only where text can't hold the name");

    let bench = self::bench("ntfs-c4k");
    let odd = fixture::truth("ntfs-c4k").iter().filter(|one| one.path_text().chars().any(char::is_control)).count();
    assert!(odd > 0, "the image has names with control characters");
    bench.run("list ntfs-c4k.img --recursive").code(0).harmless().lines_with(&["\\u{001B}"]);
    bench.run("list ntfs-c4k.img --recursive --json").code(0).harmless();
}
