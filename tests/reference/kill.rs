//! The program killed in mid-run: what is continued is what an undisturbed run makes.

use std::collections::BTreeMap;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use crate::bag::{Bag, contents};
use crate::common::Bench;
use crate::random::Random;
use crate::sealed::{Sealed, text};
use crate::tree::{self, Amount};

/// Starts `extract` of everything, and doesn't wait.
pub(crate) fn start(image: &Sealed, to: &Path) -> Child {
    Command::new(env!("CARGO_BIN_EXE_handback"))
        .args(["extract", image.text(), "/", "--to", text(to), "--streams"])
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("the program starts")
}

/// A bag without what may differ between two runs: the date, `times`, the log, and their digests.
fn comparable(folder: &Path) -> BTreeMap<String, Option<Vec<u8>>> {
    const DIFFERENT: [&str; 3] = ["bag-info.txt", "records/job.json", "records/log.txt"];
    let mut all = contents(folder);
    assert!(all.remove("records/log.txt").flatten().is_some(), "there is a log");
    let mut keep = |name: &str, line_stays: &dyn Fn(&str) -> bool| {
        let bytes = all.get_mut(name).and_then(Option::as_mut).unwrap_or_else(|| panic!("{name} is there"));
        let text = String::from_utf8(std::mem::take(bytes)).expect("UTF-8");
        let kept: String = text.split_inclusive('\n').filter(|line| line_stays(line)).collect();
        assert_ne!(kept, text, "{name} has what may differ");
        *bytes = kept.into_bytes();
    };
    keep("bag-info.txt", &|line| !line.starts_with("Bagging-Date: "));
    keep("tagmanifest-sha256.txt", &|line| {
        !DIFFERENT.iter().any(|name| line.trim_end().ends_with(&format!("  {name}")))
    });
    keep("records/job.json", &|line| {
        !["\"started\": ", "\"ended\": "].iter().any(|key| line.trim_start().starts_with(key))
    });
    all
}

/// Kills a run after `wait`; `false` if it had done everything by then.
fn killed_after(image: &Sealed, to: &Path, wait: Duration) -> bool {
    let mut child = start(image, to);
    std::thread::sleep(wait);
    // SIGKILL on Unix.
    let _ = child.kill();
    child.wait().expect("own process");
    !to.join("bagit.txt").exists() || to.join("records/progress").exists()
}

/// A bag that was stopped looks like one; one that looks finished is: it may be killed while it tidies up behind itself.
#[track_caller]
fn looks_like_what_it_is(to: &Path) {
    if to.join("bagit.txt").exists() {
        Bag::at(to).is_valid();
    } else if to.exists() {
        let names: Vec<_> = contents(to).into_keys().collect();
        let only_begun = names.iter().all(|name| name == "unfinished" || name == "unfinished/lock");
        assert!(only_begun || to.join("NOT FINISHED.txt").exists(), "marked as unfinished: {names:?}");
    }
}

#[test]
fn a_killed_run_is_continued_to_the_same_bag() {
    let mut random = Random::announced("kill");
    let bench = Bench::new();
    let path = bench.path("choir.img");
    let amount = Amount { files: 600, largest: 400_000, odd: true };
    let truths = tree::ntfs(&path, 256 << 20, amount, &mut random, &bench.path("mount"));
    let image = Sealed::new(&path);

    let undisturbed = bench.path("undisturbed");
    let clock = Instant::now();
    assert!(start(&image, &undisturbed).wait().expect("own process").success());
    let takes = clock.elapsed();
    Bag::at(&undisturbed).holds_all(&truths);
    let expected = comparable(&undisturbed);

    let mut begun = 0;
    for at in 0..10_u32 {
        // Spread over the run, at random in each tenth; in every second round it is killed twice in a row.
        let (to, times) = (bench.path(&format!("killed {at}")), 1 + at % 2);
        for time in 0..times {
            let mut part = takes.mul_f64((f64::from(at) + fraction(&mut random)) / f64::from(10 * times));
            while !killed_after(&image, &to, part) {
                // It was quicker this time: a finished bag proves nothing here.
                assert_eq!(comparable(&to), expected, "the run that was not disturbed after all");
                std::fs::remove_dir_all(&to).expect("own folder");
                part = part.mul_f64(0.7);
            }
            begun += u32::from(to.join("records/progress").exists());
            looks_like_what_it_is(&to);
            image.check();
            assert!(time < 2);
        }
        assert!(start(&image, &to).wait().expect("own process").success(), "it is continued, round {at}");
        same(&to, &expected, at);
        Bag::at(&to).is_valid();
        std::fs::remove_dir_all(&to).expect("own folder");
    }
    image.check();
    assert!(begun >= 5, "only {begun} of 15 runs were killed after they had begun to write");
}

/// From 0 up to and without 1.
fn fraction(random: &mut Random) -> f64 {
    f64::from(u32::try_from(random.next() >> 32).expect("32 bits")) / (f64::from(u32::MAX) + 1.0)
}

#[track_caller]
fn same(to: &Path, expected: &BTreeMap<String, Option<Vec<u8>>>, round: u32) {
    let found = comparable(to);
    let names = |all: &BTreeMap<String, Option<Vec<u8>>>| all.keys().cloned().collect::<Vec<_>>();
    assert_eq!(names(&found), names(expected), "round {round}");
    for (name, bytes) in &found {
        assert!(bytes == &expected[name], "round {round}: {name} differs from the undisturbed bag's");
    }
}
