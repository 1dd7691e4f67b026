//! `handback map find`: the demo's holes, filled by the test with a marker, are found again.

mod common;

use std::ops::Range;

use common::{Bench, fixture};
use serde_json::json;

const MARKER: &[u8] = b"SECTOR NOT READ ";

/// The holes of the demo, as its recipe wrote them down in `demo.map.csv`.
fn holes() -> Vec<Range<usize>> {
    let text = String::from_utf8(fixture::file("demo.map.csv")).unwrap();
    let rows = text.lines().filter(|line| line.ends_with(",unread"));
    let holes: Vec<Range<usize>> = rows
        .map(|row| {
            let mut fields = row.split(',').map(|field| field.parse::<usize>());
            let (start, length) = (fields.next().unwrap().unwrap(), fields.next().unwrap().unwrap());
            start..start + length
        })
        .collect();
    assert_eq!(holes.len(), 4);
    holes
}

/// The demo with its holes filled, sector by sector, as `fill` does.
fn marked(fill: impl Fn(&mut [u8])) -> Vec<u8> {
    let mut bytes = fixture::image("demo");
    for hole in holes() {
        bytes[hole].chunks_mut(512).for_each(&fill);
    }
    bytes
}

fn repeat(sector: &mut [u8]) {
    sector.iter_mut().zip(MARKER.iter().cycle()).for_each(|(byte, mark)| *byte = *mark);
}

#[test]
fn the_holes_are_found_and_the_map_is_used_at_once() {
    let bench = Bench::new();
    bench.read_only("demo.img", marked(repeat));
    let bytes: usize = holes().iter().map(Range::len).sum();
    let words = ["map", "find", "demo.img", "--marker", "SECTOR NOT READ ", "--to", "demo.map.csv"];
    let outcome = bench.run_words(&words).code(0).harmless();
    let sectors = bytes / 512;
    outcome
        .err_has(&format!("{sectors} sectors with the marker in 4 ranges"))
        .err_has("basis marker")
        .err_lacks("take care");
    let map = bench.text("demo.map.csv");
    assert!(map.contains("# basis: marker\n# rest: unknown\n"), "{map}");
    let rows: Vec<String> = holes().iter().map(|hole| format!("{},{},unread", hole.start, hole.len())).collect();
    assert_eq!(map.lines().filter(|line| line.ends_with("unread")).collect::<Vec<_>>(), rows);
    // The files that the truth has in holes are damaged, and nothing is called whole.
    let document = bench.run("survey demo.img --json").code(1).json("survey");
    let states = &document["volumes"][0]["total"]["states"];
    assert_eq!(states["damaged"]["count"], 3);
    assert!(states.get("whole").is_none(), "{states}");
    // Nothing is written over.
    bench.run_words(&words).code(3).err_has("nothing is ever overwritten");
}

#[test]
fn in_hexadecimal_printed_and_as_json() {
    let bench = Bench::new();
    bench.read_only("demo.img", marked(repeat));
    let before = bench.contents();
    let hex: String = MARKER.iter().map(|byte| format!("{byte:02X}")).collect();
    let printed = bench.run(&format!("map find demo.img --marker 0x{hex}")).code(0);
    assert_eq!(printed.out.lines().filter(|line| line.ends_with(",unread")).count(), 4);
    let document = bench.run(&format!("map find demo.img --marker 0x{hex} --json")).code(0).json("map find");
    let ranges: Vec<_> = holes().iter().map(|hole| json!({"start": hole.start, "length": hole.len()})).collect();
    assert_eq!(document["ranges"], json!(ranges));
    assert_eq!((&document["marker"], &document["written"]), (&json!(hex.to_lowercase()), &json!(null)));
    assert_eq!((&document["sectors_with_it_once"], &document["danger"]), (&json!(0), &json!(null)));
    assert_eq!(bench.contents(), before, "nothing is written without `--to`");
}

#[test]
fn a_marker_that_stands_once_in_each_sector() {
    for rest in [0, b' '] {
        let bench = Bench::new();
        bench.read_only(
            "demo.img",
            marked(|sector| {
                sector.fill(rest);
                sector[..MARKER.len()].copy_from_slice(MARKER);
            }),
        );
        let words = ["map", "find", "demo.img", "--marker", "SECTOR NOT READ ", "--json"];
        let document = bench.run_words(&words).code(0).json("map find");
        assert_eq!(document["ranges"].as_array().unwrap().len(), 4, "{rest}");
        assert_eq!(document["sectors"], document["sectors_with_it_once"], "{rest}");
    }
}

#[test]
fn markers_that_can_not_be_or_are_dangerous() {
    let bench = Bench::new();
    bench.image("zeros.img", 1 << 20);
    bench.read_only("ones.img", vec![0xff; 1 << 20]);
    for zeros in ["0x00", "0x00000000"] {
        let words = ["map", "find", "zeros.img", "--marker", zeros];
        bench.run_words(&words).code(2).err_has("every zero that the customer wrote").err_has("map suspect");
    }
    bench
        .run_words(&["map", "find", "zeros.img", "--marker", ""])
        .code(2)
        .err_has("an empty marker is in every sector");
    bench.run("map find zeros.img --marker 0xABC").code(2).err_has("two hexadecimal digits each");
    let long = "x".repeat(513);
    bench.run(&format!("map find zeros.img --marker {long}")).code(2).err_has("its first bytes are enough");
    bench.run("map find zeros.img").code(2).err_has("--marker");
    bench.run("map find none.img --marker BAD!").code(3).err_has("none.img");
    bench.run("map find zeros.img --marker BAD! --to new.img").code(2).err_has("`.csv`");
    // Nothing of it there: no map is written that would look as if somebody had looked well.
    let none = bench.run("map find zeros.img --marker BAD! --to zeros.map.csv").code(0);
    none.err_has("no sector is nothing but `BAD!`").err_has("no map was written");
    // A whole image of it.
    let all = bench.run("map find ones.img --marker 0xFF --to ones.map.csv").code(0);
    all.err_has("take care with this marker: flash memory")
        .err_has("2,048 sectors")
        .err_has("more than half of the image");
    assert_eq!(bench.names(), ["ones.img", "ones.map.csv", "zeros.img"]);
}

#[test]
fn a_marker_on_screen_steers_nothing() {
    let bench = Bench::new();
    bench.image("zeros.img", 4096);
    bench.run_words(&["map", "find", "zeros.img", "--marker", "\u{1b}[2J\u{202e}bad"]).code(0).harmless();
}

/// Sectors of 4096 bytes, and a length that is no multiple of them.
#[test]
fn large_sectors_and_an_odd_end() {
    let bench = Bench::new();
    let mut bytes = vec![0x33; 10 * 4096 + 100];
    for sector in [2, 10] {
        let end = bytes.len().min((sector + 1) * 4096);
        bytes[sector * 4096..end].iter_mut().zip(b"UNREAD!".iter().cycle()).for_each(|(byte, mark)| *byte = *mark);
    }
    bench.read_only("disk.img", bytes);
    let outcome = bench.run("map find disk.img --marker UNREAD! --sector-size 4096").code(0);
    outcome.out_has("\n8192,4096,unread\n40960,100,unread\n");
}
