//! `handback extract`: choosing by person, kind, pattern, date and plan; looking before writing; adding to a handover.

mod common;

use std::collections::BTreeSet;

use common::bag::{Bag, sha256, tree};
use common::fixture::{self, Truth};
use common::{Bench, Outcome};

/// The choir's old computer, with the map of what was read.
fn demo() -> Bench {
    let bench = Bench::new();
    bench.fixture("demo");
    bench.file("demo.map.csv", fixture::file("demo.map.csv"));
    bench
}

/// Extracts to `to` with the words given; the run and the paths of the files that the manifest names.
fn extracted(bench: &Bench, to: &str, words: &[&str]) -> (Outcome, BTreeSet<String>) {
    let outcome = bench.run_words(&[&["extract", "demo.img"], words, &["--to", to, "--time-zone", "UTC"]].concat());
    let files = if bench.path(to).join("bagit.txt").exists() { files(bench, to) } else { BTreeSet::new() };
    (outcome, files)
}

fn files(bench: &Bench, to: &str) -> BTreeSet<String> {
    let rows = Bag::at(bench.path(to)).records("manifest");
    rows.into_iter().filter(|row| row["kind"] == "file").map(|row| row["source_path"].clone()).collect()
}

/// The files of the truth for which `is_chosen` holds.
fn truth(is_chosen: impl Fn(&str, &Truth) -> bool) -> BTreeSet<String> {
    let all = fixture::truth_of_volume("demo", 2);
    let files = all.iter().filter(|one| one.kind == "file" && is_chosen(&one.path_text(), one));
    files.map(Truth::path_text).collect()
}

fn is_picture(path: &str) -> bool {
    let is_system = ["/Windows/", "/Program Files/", "/ProgramData/"].iter().any(|top| path.starts_with(top));
    !is_system && [".jpg", ".png", ".bmp", ".gif"].iter().any(|end| path.to_lowercase().ends_with(end))
}

/// The paths that a run says were left out, by reason.
fn left_out(bench: &Bench, to: &str) -> serde_json::Map<String, serde_json::Value> {
    Bag::at(bench.path(to)).json("records/job.json")["left_out"].as_object().expect("reasons").clone()
}

fn left(bench: &Bench, to: &str, reason: &str) -> u64 {
    left_out(bench, to).get(reason).and_then(|amount| amount["paths"].as_u64()).unwrap_or(0)
}

/// No folder of the payload is empty.
fn no_empty_folders(bench: &Bench, to: &str) {
    let tree = tree(&bench.path(to).join("data"));
    for folder in tree.iter().filter(|(_, bytes)| bytes.is_none()).map(|(path, _)| format!("{path}/")) {
        let is_shadow = ["recovered/", "damaged/", "doubtful/"].contains(&&*folder);
        assert!(is_shadow || holds(&tree, &folder), "{folder} is empty");
    }
}

/// Whether there is a file below a folder, whichever part of the payload it stands in.
fn holds(tree: &std::collections::BTreeMap<String, Option<Vec<u8>>>, folder: &str) -> bool {
    let below = |path: &str| path.split_once('/').map_or(String::new(), |(_, below)| below.to_string());
    tree.iter().any(|(path, bytes)| bytes.is_some() && below(path).starts_with(&below(folder)))
}

#[test]
fn a_person_is_all_of_their_profile() {
    let bench = demo();
    let (outcome, found) = extracted(&bench, "hanna", &["--person", "hanna"]);
    outcome.code(0).out_has("in none of the chosen people's profiles");
    assert_eq!(found, truth(|path, _| path.starts_with("/Users/Hanna/")));
    let others = truth(|path, _| !path.starts_with("/Users/Hanna/")).len() as u64;
    assert_eq!(left(&bench, "hanna", "other-person"), others);
    assert!(bench.text("hanna/READ ME FIRST.txt").contains(&format!("{others} other files were not asked for")));
    assert!(bench.path("hanna/data/recovered/Users/Hanna/Documents/Recipes").is_dir());

    let (outcome, both) = extracted(&bench, "both", &["--person", "Hanna", "--person", "Choir"]);
    outcome.code(1);
    let people = |path: &str| path.starts_with("/Users/Hanna/") || path.starts_with("/Users/Choir/");
    assert_eq!(both, truth(|path, _| people(path)));

    // Everything that narrows holds together.
    let (outcome, found) = extracted(&bench, "narrow", &["/Users", "--person", "Choir", "--kind", "photos"]);
    outcome.code(1);
    assert_eq!(found, truth(|path, _| path.starts_with("/Users/Choir/") && is_picture(path)));
    assert!(left(&bench, "narrow", "other-person") > 0 && left(&bench, "narrow", "other-kind") > 0);
}

#[test]
fn an_unknown_person_is_answered_with_those_that_are_known() {
    let bench = demo();
    let (outcome, _) = extracted(&bench, "nobody", &["--person", "Greta"]);
    outcome.code(2).err_has("no profile of `Greta`").err_has("`Choir`, `Hanna`");
    assert!(!bench.path("nobody").exists());
}

#[test]
fn a_kind_leaves_out_what_is_the_systems_and_makes_no_empty_folders() {
    let bench = demo();
    let (outcome, found) = extracted(&bench, "photos", &["--kind", "photos"]);
    outcome.code(1).out_has("of another kind").out_has("IMG_0487.jpg: damaged");
    assert_eq!(found, truth(|path, _| is_picture(path)));
    assert!(found.len() > 50, "{}", found.len());
    let others = truth(|path, _| !is_picture(path)).len() as u64;
    assert_eq!(left(&bench, "photos", "other-kind"), others);
    no_empty_folders(&bench, "photos");
    bench.run("verify photos").code(0);

    let (outcome, found) = extracted(&bench, "music", &["--kind", "music", "--kind", "mail", "/Users"]);
    outcome.code(0);
    let is_wanted =
        |path: &str| [".mid", ".mp3", ".wav", ".eml", ".mbox", ".vcf", ".ics"].iter().any(|end| path.ends_with(end));
    assert_eq!(found, truth(|path, _| path.starts_with("/Users/") && is_wanted(path)));
    extracted(&bench, "x", &["--kind", "fotos"]).0.code(2).err_has("kinds are photos, films");
}

#[test]
fn patterns_take_and_leave_names_paths_and_folders() {
    let bench = demo();
    for (to, words, expected) in [
        ("name", &["--match", "img_*.JPG"][..], truth(|path, _| path.contains("/IMG_"))),
        (
            "path",
            &["--match", "/users/*/Documents/**"],
            truth(|path, _| path.starts_with("/Users/") && path.split('/').nth(3) == Some("Documents")),
        ),
        ("folder", &["--match", "Concert 2009"], truth(|path, _| path.contains("/Concert 2009/"))),
        (
            "without",
            &["/Users/Hanna", "--exclude", "Recipes", "--exclude", "*.DAT"],
            truth(|path, _| {
                path.starts_with("/Users/Hanna/") && !path.contains("/Recipes/") && !path.ends_with(".DAT")
            }),
        ),
        (
            "both",
            &["--match", "*.jpg", "--exclude", "Pictures/Concert*"],
            truth(|path, _| path.ends_with(".jpg") && !path.contains("/Pictures/Concert")),
        ),
    ] {
        let (outcome, found) = extracted(&bench, to, words);
        assert!(outcome.code.is_some_and(|code| code < 2), "{to}: {}", outcome.err);
        assert_eq!(found, expected, "{to}");
        assert!(!found.is_empty(), "{to}");
        let all = match words.contains(&"/Users/Hanna") {
            true => truth(|path, _| path.starts_with("/Users/Hanna/")),
            false => truth(|_, _| true),
        };
        let reasons: u64 = left_out(&bench, to).values().filter_map(|amount| amount["paths"].as_u64()).sum();
        assert_eq!(reasons as usize, all.len() - found.len(), "{to}: each is taken or counted");
    }
    assert_eq!(left(&bench, "without", "excluded"), 7);
    extracted(&bench, "x", &["--match", "["]).0.code(2).err_has("this is no pattern");
}

#[test]
fn a_day_keeps_what_was_changed_since() {
    let bench = demo();
    let (outcome, found) = extracted(&bench, "new", &["/Users", "--newer", "2009-06-23"]);
    outcome.code(1).out_has("last changed before the day");
    let newer = |one: &Truth| one.value("modified").is_some_and(|time| time >= "2009-06-23");
    assert_eq!(found, truth(|path, one| path.starts_with("/Users/") && newer(one)));
    let older = truth(|path, one| path.starts_with("/Users/") && !newer(one)).len() as u64;
    assert!(older > 0 && left(&bench, "new", "older") == older);
    extracted(&bench, "x", &["/", "--newer", "23.6.2009"]).0.code(2).err_has("2009-03-14");
}

#[test]
fn nothing_asked_for_and_nothing_left_are_wrong_commands() {
    let bench = demo();
    bench.run("extract demo.img --to x").code(2).err_has("name a PATH").err_has("`/` is everything");
    bench.run("extract demo.img /Users/Hanna").code(2).err_has("--to");
    let (outcome, _) = extracted(&bench, "none", &["/Users/Hanna", "--kind", "films"]);
    outcome.code(2).err_has("nothing to copy").err_has("of another kind");
    extracted(&bench, "none", &["/", "--match", "*.nothing"]).0.code(2).err_has("that no pattern fits");
    assert!(!bench.path("none").exists());
}

#[test]
fn a_dry_run_says_everything_and_writes_nothing() {
    let bench = demo();
    let before = tree(&bench.path("."));
    let image = sha256(&std::fs::read(bench.path("demo.img")).unwrap());
    let dry = |words: &[&str]| bench.run_words(&[&["extract", "demo.img", "--dry-run"], words].concat());
    let outcome = dry(&["--kind", "photos", "--to", "photos"]).code(1).harmless();
    let outcome = outcome
        .out_has("Dry run: nothing is written")
        .out_has("IMG_0487.jpg: damaged (unread)")
        .out_has("of another kind")
        .out_has("2:/Users")
        .out_has("measured now on the first")
        .out_has("it fits");
    outcome.lines_with(&["damaged", "data/damaged"]);
    dry(&["/Users/Hanna"]).code(0).out_has("name the destination with `--to`");
    assert_eq!(tree(&bench.path(".")), before);

    let json = dry(&["--kind", "photos", "--to", "photos", "--json"]).code(1).json("extract");
    let pictures = truth(|path, _| is_picture(path)).len() as u64;
    assert_eq!((json["dry_run"].as_bool(), json["files"].as_u64()), (Some(true), Some(pictures)));
    let room = &json["room"];
    let (needed, cluster) = (room["needed"].as_u64().unwrap(), room["cluster"].as_u64().unwrap());
    assert!(needed >= (1 << 20) + pictures * (cluster + 4096), "{room}");
    assert!(json["sample"]["bytes"].as_u64() == json["bytes"].as_u64() && json["losses"] == 2, "{json}");

    // What it says comes true.
    let (_, found) = extracted(&bench, "photos", &["--kind", "photos"]);
    let job = Bag::at(bench.path("photos")).json("records/job.json");
    for key in ["left_out", "folders", "incomplete_folders", "lost_records", "links", "not_copied"] {
        assert_eq!(json[key], job[key], "{key}");
    }
    assert_eq!((found.len() as u64, &json["bytes"]), (pictures, &job["written_bytes"]));
    assert_eq!(sha256(&std::fs::read(bench.path("demo.img")).unwrap()), image);
    dry(&["/", "--to", "photos"]).code(3).err_has("finished handover");
}

#[test]
fn long_paths_and_changed_names_are_told_before() {
    let bench = demo();
    let deep = "a destination far from the root of its disk/".repeat(4);
    std::fs::create_dir_all(bench.path(&deep)).unwrap();
    let to = format!("{deep}choir");
    let outcome = bench.run_words(&["extract", "demo.img", "/Users", "--dry-run", "--to", &to, "--json"]).code(1);
    let json = outcome.json("extract");
    let start = bench.path(&to).canonicalize().unwrap_or_else(|_| bench.path(&to));
    assert!(start.to_string_lossy().len() > 150);
    let long = json["room"]["long_paths"]["count"].as_u64().unwrap();
    assert!(long > 0, "{json}");
    let first = json["room"]["long_paths"]["first"][0]["path"].as_str().unwrap();
    let folder = json["room"]["folder"].as_str().unwrap();
    assert!(bench.path(folder).join(first).to_string_lossy().encode_utf16().count() > 259, "{first}");

    bench.fixture("ntfs-hostile");
    let outcome = bench.run("extract ntfs-hostile.img / --dry-run --json");
    let json = outcome.json("extract");
    let renamed = json["renamed"]["first"].as_array().unwrap();
    assert!(renamed.iter().any(|one| one["path"].as_str().is_some_and(|path| path.contains("(u+"))), "{renamed:?}");
    bench.run("extract ntfs-hostile.img / --dry-run").harmless().out_has(" becomes ");
}

#[test]
fn a_plan_is_written_edited_and_run() {
    let bench = demo();
    let words = ["extract", "demo.img", "--person", "Hanna", "--dry-run", "--plan", "hanna.plan.toml"];
    bench.run_words(&words).code(0).err_has("the plan is in `hanna.plan.toml`");
    let text = bench.text("hanna.plan.toml");
    assert!(text.contains("persons = [\"Hanna\"]") && text.contains("length = 100663296"), "{text}");
    let line = text.lines().find(|line| line.starts_with("\"2:/Users/Hanna/Pictures\"")).expect("a line");
    assert!(line.contains("take = true, files = 14, bytes = 17274"), "{line}");
    assert!(text.contains("\"2:/Users/Hanna/\" = { take = true"), "{text}");

    // It is there now: shown, and never written over.
    bench.run("extract demo.img --plan hanna.plan.toml --dry-run").code(0).out_has("2:/Users/Hanna/Pictures");
    bench.run_words(&words).code(2).err_has("leave the other words away");
    assert_eq!(bench.text("hanna.plan.toml"), text);

    // Edited on Windows.
    let edited = text.replace(line, &line.replace("take = true", "take = false")).replace('\n', "\r\n");
    bench.file("edited.plan.toml", format!("\u{FEFF}{edited}"));
    let (outcome, found) = extracted(&bench, "hanna", &["--plan", "edited.plan.toml"]);
    outcome.code(0).out_has("the plan says not to take");
    assert_eq!(found, truth(|path, _| path.starts_with("/Users/Hanna/") && !path.contains("/Pictures/")));
    assert_eq!(left(&bench, "hanna", "by-plan"), 14);
    assert!(!bench.path("hanna/data/recovered/Users/Hanna/Pictures").exists());
    let job = Bag::at(bench.path("hanna")).json("records/job.json");
    assert_eq!(job["selections"][0]["left_by_plan"], serde_json::json!(["2:/Users/Hanna/Pictures"]));
}

#[test]
fn a_plan_that_does_not_fit_is_refused_with_its_place() {
    let bench = demo();
    bench.run("extract demo.img /Users/Hanna --dry-run --plan p.toml").code(0);
    let text = bench.text("p.toml");
    let refused = |name: &str, text: String, why: &str| {
        bench.file(name, text);
        let words = ["extract", "demo.img", "--plan", name, "--to", "x"];
        bench.run_words(&words).code(2).err_has(why);
    };
    refused("image.toml", text.replace("length = 100663296", "length = 100663297"), "is of another image");
    refused("key.toml", text.replace("paths =", "path ="), "line 13, column 1");
    refused("kind.toml", text.replace("kinds = []", "kinds = [\"fotos\"]"), "line 15, column 10");
    let line = text.lines().find(|line| line.starts_with("\"2:/Users/Hanna/Pictures\"")).unwrap();
    refused("gone.toml", text.replace(line, ""), "says nothing of `2:/Users/Hanna/Pictures`");
    let more = format!("{text}\"2:/Users/Greta\" = {{ take = true }}\n");
    let place = format!("line {}, column 1", more.lines().count());
    refused("more.toml", more, &place);
    bench.run("extract demo.img --plan no.toml --to x").code(2).err_has("there is no plan");
    assert!(!bench.path("x").exists());
}

/// Every file of the payload as it was, and the manifest's rows for it.
fn unchanged(before: &std::collections::BTreeMap<String, Vec<u8>>, bag: &Bag) {
    let after = bag.payload();
    for (path, bytes) in before {
        assert_eq!(after.get(path), Some(bytes), "{path}");
    }
}

#[test]
fn more_is_added_to_a_finished_handover() {
    let bench = demo();
    extracted(&bench, "bag", &["/Users/Choir/Pictures"]).0.code(1);
    let first = Bag::at(bench.path("bag")).payload();
    let (outcome, found) = extracted(&bench, "bag", &["--add", "--person", "Hanna", "--kind", "documents"]);
    outcome.code(1);
    let documents = truth(|path, _| {
        path.starts_with("/Users/Hanna/") && [".odt", ".rtf", ".csv", ".txt"].iter().any(|end| path.ends_with(end))
    });
    let pictures = truth(|path, _| path.starts_with("/Users/Choir/Pictures/"));
    assert_eq!(found, pictures.union(&documents).cloned().collect());
    unchanged(&first, &Bag::at(bench.path("bag")));
    bench.run("verify bag").code(0);
    let second = Bag::at(bench.path("bag")).payload();
    assert!(bench.text("bag/records/log.txt").contains("adding to a finished handover"));

    // Of another volume, which has to get a folder of its own now.
    let (outcome, _) = extracted(&bench, "bag", &["--add", "1:/Boot"]);
    outcome.code(1);
    bench.run("verify bag").code(0);
    unchanged(&second, &Bag::at(bench.path("bag")));
    assert!(bench.path("bag/data/recovered/volume 1/Boot").is_dir());
    let job = Bag::at(bench.path("bag")).json("records/job.json");
    let selections = job["selections"].as_array().unwrap();
    assert_eq!(selections.len(), 3);
    assert_eq!(selections[0]["paths"], serde_json::json!(["/Users/Choir/Pictures"]));
    assert_eq!(
        (&selections[1]["persons"], &selections[1]["kinds"]),
        (&serde_json::json!(["Hanna"]), &serde_json::json!(["documents"]))
    );
    assert_eq!(job["left_out"]["other-kind"]["paths"], 15, "{}", job["left_out"]);

    // The same again changes nothing but the dates.
    let before = Bag::at(bench.path("bag")).payload();
    extracted(&bench, "bag", &["--add", "1:/Boot"]).0.code(1);
    bench.run("verify bag").code(0);
    assert_eq!(Bag::at(bench.path("bag")).payload(), before);
    assert_eq!(Bag::at(bench.path("bag")).json("records/job.json")["selections"].as_array().unwrap().len(), 3);
}

/// Adds the choir's profile to the handover at `to`.
fn adding(to: &str) -> [&str; 8] {
    ["extract", "demo.img", "--time-zone", "UTC", "--add", "/Users/Choir", "--to", to]
}

#[test]
fn adding_that_was_killed_goes_on_with_the_same_command() {
    let bench = demo();
    extracted(&bench, "calm", &["/Users/Hanna"]).0.code(0);
    extracted(&bench, "calm", &["--add", "/Users/Choir"]).0.code(1);
    let expected = Bag::at(bench.path("calm")).payload();
    let mut stopped = 0;
    for round in 0..8_u32 {
        let to = format!("killed {round}");
        extracted(&bench, &to, &["/Users/Hanna"]).0.code(0);
        let before = Bag::at(bench.path(&to)).payload();
        let mut child = bench.start(&adding(&to));
        std::thread::sleep(std::time::Duration::from_millis(u64::from(40 + round * 60)));
        child.kill().expect("our own process");
        child.wait().expect("our own process");
        stopped += u32::from(bench.path(&to).join("records/progress").exists());
        let left = tree(&bench.path(&to).join("data"));
        for (path, bytes) in &before {
            assert_eq!(left.get(path).and_then(Option::as_ref), Some(bytes), "{path}");
        }
        bench.run_words(&adding(&to)).code(1);
        bench.run_words(&["verify", &to]).code(0);
        assert_eq!(Bag::at(bench.path(&to)).payload(), expected, "round {round}");
    }
    assert!(stopped > 0, "none was stopped in time");
}

#[test]
fn what_does_not_fit_together_is_not_added() {
    let bench = demo();
    extracted(&bench, "bag", &["/Users/Hanna"]).0.code(0);
    let before = bench.tree("bag");
    let add =
        |words: &[&str]| bench.run_words(&[&["extract", "demo.img", "/Scores 2009", "--add", "--to"], words].concat());
    bench.file(
        "other.csv",
        String::from_utf8(fixture::file("demo.map.csv")).unwrap().replace("basis: full", "basis: asserted"),
    );
    add(&["bag", "--map", "other.csv"]).code(3).err_has("another map");
    add(&["bag", "--streams"]).code(3).err_has("other options");
    add(&["nothing"]).code(3).err_has("no handover to add to");
    bench.run("extract demo.img /Users/Choir --to bag").code(3).err_has("--add");
    assert_eq!(bench.tree("bag"), before, "a refusal touches nothing");
    bench.file("tenor.img", fixture::image("demo"));
    bench.run("extract tenor.img /Users/Choir --map demo.map.csv --add --to bag").code(3).err_has("another image");

    let note = "bag/data/recovered/Users/Hanna/Documents/Recipes/Plum cake.txt";
    let text = bench.text(note);
    bench.file(note, text.replace("a", "o"));
    add(&["bag"]).code(3).err_has("Plum cake.txt").err_has("it was changed since it was written");
    bench.file(note, &text);
    bench.file("bag/data/recovered/mine.txt", "mine");
    add(&["bag"]).code(3).err_has("mine.txt");
    bench.remove("bag/data/recovered/mine.txt");
    let job = bench.text("bag/records/job.json");
    bench.file("bag/records/job.json", job.replace("Hanna", "Greta"));
    add(&["bag"]).code(3).err_has("job.json").err_has("changed since");
    bench.file("bag/records/job.json", &job);
    add(&["bag"]).code(0);
    bench.run("verify bag").code(0);
}

#[test]
fn a_choice_on_a_card_goes_by_local_days() {
    let bench = Bench::new();
    bench.fixture("fat32");
    let outcome = bench.run("extract fat32.img / --newer 2100-01-01 --dry-run --json");
    let all = bench.run("extract fat32.img / --dry-run --json").json("extract");
    if outcome.code == Some(2) {
        outcome.err_has("last changed before the day");
    } else {
        let json = outcome.json("extract");
        let older = json["left_out"]["older"]["paths"].as_u64().unwrap_or(0);
        let total: u64 = all["states"].as_object().unwrap().values().filter_map(|count| count["paths"].as_u64()).sum();
        let kept: u64 = json["states"].as_object().unwrap().values().filter_map(|count| count["paths"].as_u64()).sum();
        assert_eq!(older + kept, total);
        assert!(json["undated"].as_u64().unwrap() <= kept);
    }
}
