//! `handback map`, and on whose word bytes stand.

mod common;

use common::Bench;

const LENGTH: usize = 65536;

fn own(length: usize, keys: &str, rows: &str) -> String {
    format!("# handback sector map 1\n# image-length: {length}\n{keys}start,length,state\n{rows}")
}

/// A bench with an image and no map.
fn bench() -> Bench {
    let bench = Bench::new();
    bench.image("disk.img", LENGTH);
    bench
}

#[test]
fn no_map_is_said() {
    let outcome = bench().run("map show disk.img").code(0).err_has("map: none, so holes can't be ruled out");
    outcome.out_has("basis     nobody's").out_has("65,536");
}

#[test]
fn a_map_beside_the_image_is_found_and_said() {
    let bench = bench();
    bench.file("disk.map.csv", own(LENGTH, "", "0,4096,read\n4096,512,unread\n4608,60928,read\n"));
    let before = bench.contents();
    bench
        .run("map show disk.img")
        .code(0)
        .err_has("map: `disk.map.csv`, found beside the image, basis full")
        .err_lacks("doubted")
        .out_has("65,024")
        .out_has("99.21 %")
        .out_has(" 4096     512  512 bytes  unread");
    bench.run("map show disk.img --no-map").code(0).err_has("map: none");
    assert_eq!(bench.contents(), before, "nothing is written");
}

#[test]
fn json_has_every_range() {
    let bench = bench();
    let rows: String = (0..100).map(|row| format!("{},512,unread\n", row * 512 * 2 % LENGTH)).take(64).collect();
    bench.file("disk.map.csv", own(LENGTH, "# rest: read\n", &rows));
    bench.run("map show disk.img").code(0).out_has("… and 88 more ranges; `--json` has them all");
    let value = bench.run("map show disk.img --json").code(0).json("map show");
    assert_eq!(value["ranges"].as_array().unwrap().len(), 128);
    assert_eq!(value["ranges"][1], serde_json::json!({"start": 512, "length": 512, "state": "read"}));
    let map = &value["map"];
    assert_eq!(map["path"], "disk.map.csv");
    assert_eq!((&map["origin"], &map["basis"], &map["asserted"]), (&"beside".into(), &"full".into(), &false.into()));
    assert_eq!(map["totals"]["unread"], 64 * 512);
    assert_eq!(map["totals"]["read"], 64 * 512);
}

#[test]
fn a_picked_up_file_that_is_no_map_stops_and_says_how_to_go_on() {
    let bench = bench();
    bench.file("disk.map.csv", "street,town\n");
    bench.run("map show disk.img").code(2).err_has("`disk.map.csv`").err_has("`--no-map` goes without");
    bench.run("map show disk.img --no-map").code(0);
    bench.run("map show disk.img --map none.csv").code(3).err_has("cannot read the sector map `none.csv`");
}

#[test]
fn a_doubted_map_loses_its_good_word_and_keeps_its_holes() {
    let bench = bench();
    bench.file("other.csv", own(LENGTH + 4096, "", "0,512,unread\n512,69120,read\n"));
    let line = "map show disk.img --map other.csv";
    let outcome = bench
        .run(line)
        .code(0)
        .err_has("map doubted: it speaks of 69632 bytes and the image has 65536")
        .err_has("say `--map-accept`");
    assert_eq!(outcome.out.lines().filter(|line| line.ends_with(" read")).count(), 0, "{}", outcome.out);
    let value = bench.run(&format!("{line} --json")).code(0).json("map show");
    assert_eq!(
        value["map"]["totals"],
        serde_json::json!({"read": 0, "unread": 512, "unreached": 4096, "unknown": 65024})
    );
    assert_eq!(value["map"]["doubt"]["accepted"], false);
    assert_eq!(value["map"]["doubt"]["reasons"][0]["kind"], "length");

    let accepted = bench.run(&format!("{line} --map-accept --json")).code(0).err_has("on your word");
    let value = accepted.json("map show");
    assert_eq!(
        value["map"]["totals"],
        serde_json::json!({"read": 65024, "unread": 512, "unreached": 4096, "unknown": 0})
    );
    assert_eq!(value["map"]["doubt"]["accepted"], true);
}

#[test]
fn a_bad_sector_list_says_nothing_good_until_the_user_does() {
    let bench = bench();
    bench.file("bad.txt", "3 7-9 # the outer edge\n");
    let line = "map show disk.img --map bad.txt --map-form bad-sectors";
    let value = bench.run(&format!("{line} --json")).code(0).json("map show");
    assert_eq!(
        value["map"]["totals"],
        serde_json::json!({"read": 0, "unread": 2048, "unreached": 0, "unknown": 63488})
    );
    let asserted = bench.run(&format!("{line} --map-rest read --json")).code(0).err_has("on whose word");
    assert_eq!(asserted.json("map show")["map"]["asserted"], true);
    assert_eq!(asserted.json("map show")["map"]["totals"]["read"], 63488);
    bench.run(line).code(0).err_lacks("on whose word");
}

#[test]
fn whose_word_it_is_survives_conversion() {
    let bench = bench();
    bench.file("bad.txt", "3 7-9\n");
    bench
        .run("map convert bad.txt --map-form bad-sectors --map-rest read --image disk.img --to disk.map.csv")
        .code(0)
        .err_has("wrote `disk.map.csv`: 63.4 kB read, 2.0 kB unread; basis asserted")
        .err_has("on whose word");
    assert_eq!(
        bench.text("disk.map.csv"),
        own(
            LENGTH,
            "# basis: asserted\n# rest: unreached\n",
            "0,1536,read\n1536,512,unread\n2048,1536,read\n3584,1536,unread\n5120,60416,read\n"
        )
    );
    bench.run("map show disk.img").code(0).err_has("found beside the image, basis asserted").err_has("on whose word");
    bench.run("map show --map disk.map.csv").code(0).err_has("on whose word").out_has("no image was compared");
    bench.run("map merge disk.map.csv").code(0).out_has("# basis: asserted").err_has("on whose word");
}

#[test]
fn the_user_can_speak_for_a_whole_image() {
    let bench = bench();
    bench.run("map show disk.img --map-rest read").code(2).err_has("--no-map");
    let outcome = bench.run("map show disk.img --no-map --map-rest read").code(0).err_has("on whose word");
    outcome.err_has("you speak for the whole image").out_has("asserted");
}

#[test]
fn another_programs_log_is_described_by_its_columns() {
    let bench = bench();
    bench.file("log.txt", "Pass 1 of 1\n; from\tto\thow\n0\t4\tfine\n5\t5\tno answer\n6\t127\tfine\n");
    bench
        .run_words(&[
            "map",
            "convert",
            "log.txt",
            "--image-length",
            "65536",
            "--map-form",
            "columns",
            "--map-last-column",
            "2",
            "--map-state-column",
            "3",
            "--map-word",
            "fine=read",
            "--map-word",
            "no answer=unread",
            "--map-separator",
            "tab",
            "--map-comment",
            ";",
            "--map-skip",
            "1",
            "--map-unit",
            "512",
        ])
        .code(0)
        .out_has(
            "# basis: full\n# rest: unreached\nstart,length,state\n0,2560,read\n2560,512,unread\n3072,62464,read\n",
        );
}

#[test]
fn a_word_that_nobody_explained_is_an_error() {
    let bench = bench();
    bench.file("log.txt", "0 4 fine\n4 1 hm\n");
    bench
        .run(
            "map convert log.txt --image-length 65536 --map-form columns --map-length-column 2 --map-state-column 3 \
             --map-word fine=read --to log.csv",
        )
        .code(2)
        .err_has("line 2")
        .err_has("`hm`");
    assert_eq!(bench.names(), ["disk.img", "log.txt"]);
}

#[test]
fn a_drives_map_serves_a_volumes_image() {
    let bench = bench();
    bench.file("drive.csv", own(1 << 20, "", "0,100000,read\n100352,512,unread\n100864,947712,read\n"));
    let line = "map show disk.img --map drive.csv --map-offset 98304";
    let value = bench.run(&format!("{line} --json")).code(0).err_lacks("doubted").json("map show");
    assert_eq!(value["ranges"][2], serde_json::json!({"start": 2048, "length": 512, "state": "unread"}));
    bench.run("map convert drive.csv --map-offset 98304 --image disk.img").code(0).out_has("2048,512,unread");
    bench.run("map convert drive.csv --map-offset 98304").code(2).err_has("--image-length");
}

#[test]
fn maps_are_joined_to_the_best_of_each() {
    let bench = bench();
    bench.file("a.csv", own(LENGTH, "", "0,4096,read\n4096,512,unread\n"));
    bench.file("b.csv", own(LENGTH, "# basis: asserted\n# rest: unknown\n", "0,512,unread\n4096,512,read\n"));
    bench.run("map merge a.csv b.csv --to disk.map.csv").code(0).err_has("basis asserted");
    let value = bench.run("map show disk.img --json").code(0).json("map show");
    assert_eq!(
        value["map"]["totals"],
        serde_json::json!({"read": 4608, "unread": 0, "unreached": 60928, "unknown": 0})
    );
    bench.file("short.csv", own(512, "", "0,512,read\n"));
    bench.run("map merge a.csv short.csv").code(0).err_has("65,536, 512 bytes").err_has("of one drive");
}

#[test]
fn nothing_is_overwritten_and_no_part_of_an_image_is_made() {
    let bench = bench();
    bench.image("split.001", 512);
    bench.file("a.csv", own(LENGTH, "", "0,4096,read\n"));
    bench.file("disk.map.csv", "precious");
    let before = bench.contents();
    bench.run("map convert a.csv --to disk.map.csv").code(3).err_has("nothing is ever overwritten");
    bench.run("map merge a.csv --to disk.map.csv").code(3).err_has("nothing is ever overwritten");
    bench.run("map convert a.csv --to split.002").code(2).err_has("`.csv`");
    bench.run("map convert a.csv --to disk.img").code(2).err_has("`.csv`");
    bench.run("map convert a.csv --to none/a.csv").code(3).err_has("cannot write");
    assert_eq!(bench.contents(), before);
}

#[test]
fn a_list_needs_to_know_its_images_length() {
    let bench = bench();
    bench.file("bad.txt", "3\n128\n");
    bench.run("map convert bad.txt --map-form bad-sectors").code(2).err_has("length in bytes is needed");
    bench
        .run("map convert bad.txt --map-form bad-sectors --image disk.img")
        .code(2)
        .err_has("line 2")
        .err_has("sector 128 lies after the image's end at byte 65536");
    bench.run("map convert bad.txt").code(2).err_has("--map-form bad-sectors");
}
