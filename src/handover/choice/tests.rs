use super::*;
use crate::catalog::{Distrust, Incomplete, Lookup, NameId};
use crate::handover::plan::Plan;
use crate::handover::tests::choir::{Builder, Choir, job};
use crate::handover::{Options, Selected};
use crate::sector_map::ByteState;

/// Fits names that hold the text, and paths that begin with it if it begins with `/`.
struct Holds(&'static str);

impl Patterns for Holds {
    fn need_path(&self) -> bool {
        self.0.starts_with('/')
    }

    fn fit(&self, name: &str, path: &str, case_counts: bool) -> bool {
        assert!(!case_counts, "a volume of records");
        if self.need_path() { path.starts_with(self.0) } else { name.contains(self.0) }
    }
}

fn holds(text: &'static str) -> Option<Box<dyn Patterns>> {
    Some(Box::new(Holds(text)))
}

/// Two people, a system folder, pictures and texts. Dates rise with every file (2009-03-14 in UTC).
fn house() -> Choir {
    let (mut choir, root) = Builder::new();
    let users = choir.folder(root, "Users");
    for person in ["Clara", "Greta"] {
        let home = choir.folder(users, person);
        choir.file(home, "photo.jpg", b"photo");
        choir.file(home, "song.txt", b"la");
        let inner = choir.folder(home, "Old photos");
        choir.file(inner, "old.jpg", b"old photo");
        choir.folder(home, "Empty");
    }
    let windows = choir.folder(root, "Windows");
    choir.file(windows, "wallpaper.jpg", b"green");
    choir.file(root, "note.txt", b"note");
    choir.finish(root, Some(ByteState::Read), &[])
}

fn name(choir: &Choir, path: &str) -> NameId {
    match choir.catalog.find(path) {
        Lookup::Found(_, Some(name)) => name,
        other => panic!("{path}: {other:?}"),
    }
}

/// A choice that looks at these paths (`/` is all of the volume).
fn choice(choir: &Choir, paths: &[&str], filter: Filter) -> Choice {
    let selected = |path: &&str| match *path {
        "/" => Selected::Root,
        path => Selected::Name(name(choir, path)),
    };
    let base = Base { selected: paths.iter().map(selected).collect(), profiles: None };
    Choice { selection: Selection::default(), bases: BTreeMap::from([(2, base)]), filter }
}

fn plan(choir: &Choir, list: Vec<Choice>) -> Plan {
    let mut job = job(choir, Vec::new(), Options::default());
    job.choices.list = list;
    let plan = Plan::make(&job).unwrap();
    let nothing = plan.entries.is_empty() && plan.links.is_empty() && plan.special_files + plan.deleted_left == 0;
    assert_eq!(Plan::nothing(&job).unwrap(), nothing.then(|| plan.left_out.clone()), "asked without planning all");
    plan
}

fn files(plan: &Plan) -> Vec<&str> {
    let files = plan.entries.iter().filter(|entry| entry.kind == crate::catalog::ObjectKind::File);
    files.map(|entry| &*entry.path).collect()
}

fn folders(plan: &Plan) -> Vec<&str> {
    let folders = plan.entries.iter().filter(|entry| entry.kind == crate::catalog::ObjectKind::Folder);
    folders.map(|entry| &*entry.path).collect()
}

fn left(plan: &Plan) -> Vec<(LeftReason, u64)> {
    plan.left_out.iter().map(|(reason, amount)| (*reason, amount.paths)).collect()
}

#[test]
fn a_kind_takes_the_customers_files_and_no_empty_folders() {
    let house = house();
    let kinds = BTreeSet::from([FileKind::Pictures]);
    let plan = plan(&house, vec![choice(&house, &["/"], Filter { kinds, ..Filter::default() })]);
    assert_eq!(
        files(&plan),
        [
            "Users/Clara/Old photos/old.jpg",
            "Users/Clara/photo.jpg",
            "Users/Greta/Old photos/old.jpg",
            "Users/Greta/photo.jpg"
        ]
    );
    assert_eq!(folders(&plan).len(), 6, "{:?}", folders(&plan));
    assert!(!folders(&plan).iter().any(|path| path.ends_with("Empty") || *path == "Windows"));
    assert_eq!(left(&plan), [(LeftReason::OtherKind, 4)]);
    assert_eq!(plan.left_out[&LeftReason::OtherKind].bytes, 2 + 2 + 5 + 4);
}

#[test]
fn what_takes_nothing_says_what_it_left_out() {
    let house = house();
    let kinds = BTreeSet::from([FileKind::Mail]);
    let mail = plan(&house, vec![choice(&house, &["/"], Filter { kinds, ..Filter::default() })]);
    assert!(mail.entries.is_empty());
    assert_eq!(left(&mail), [(LeftReason::OtherKind, 8)]);
    // An empty folder that was asked for by its name is something.
    assert_eq!(plan(&house, vec![choice(&house, &["/Users/Clara/Empty"], Filter::default())]).entries.len(), 1);
}

#[test]
fn a_pattern_speaks_for_all_below_the_folder_that_it_fits() {
    let house = house();
    let matching = |text| Filter { matching: holds(text), ..Filter::default() };
    let by_folder = plan(&house, vec![choice(&house, &["/Users/Clara"], matching("Old"))]);
    assert_eq!(files(&by_folder), ["Users/Clara/Old photos/old.jpg"]);
    assert_eq!(left(&by_folder), [(LeftReason::NotMatched, 2)]);
    let by_path = plan(&house, vec![choice(&house, &["/"], matching("/Users/Greta"))]);
    assert_eq!(files(&by_path).len(), 3);
    // What excludes is stronger than what matches, wherever it fits.
    let both = Filter { matching: holds("jpg"), exclude: holds("Old"), ..Filter::default() };
    let both = plan(&house, vec![choice(&house, &["/Users/Clara"], both)]);
    assert_eq!(files(&both), ["Users/Clara/photo.jpg"]);
    assert_eq!(left(&both), [(LeftReason::Excluded, 1), (LeftReason::NotMatched, 1)]);
}

#[test]
fn only_a_persons_profile_is_taken_and_its_empty_folders_stay() {
    let house = house();
    let mut greta = choice(&house, &["/"], Filter::default());
    greta.bases.get_mut(&2).unwrap().profiles = Some(vec![name(&house, "/Users/Greta")]);
    let plan = plan(&house, vec![greta]);
    assert_eq!(folders(&plan), ["Users/Greta", "Users/Greta/Empty", "Users/Greta/Old photos"]);
    assert_eq!(left(&plan), [(LeftReason::OtherPerson, 5)]);
    let tops: Vec<_> = plan.tops.iter().map(|(label, top)| (&**label, top.amount.paths)).collect();
    assert_eq!(tops, [("2:/Users/Greta/", 2), ("2:/Users/Greta/Old photos", 1)]);
}

#[test]
fn a_plan_leaves_out_folders_and_the_files_directly_in_one() {
    let house = house();
    let without = |labels: &[&str], paths: &[&str]| {
        let mut one = choice(&house, paths, Filter::default());
        one.selection.left_by_plan = labels.iter().map(|label| (*label).to_string()).collect();
        plan(&house, vec![one])
    };
    let plan = without(&["2:/Users/Clara/Old photos"], &["/Users/Clara"]);
    assert_eq!(files(&plan), ["Users/Clara/photo.jpg", "Users/Clara/song.txt"]);
    assert_eq!(folders(&plan), ["Users/Clara", "Users/Clara/Empty"]);
    assert_eq!(left(&plan), [(LeftReason::ByPlan, 1)]);
    let plan = without(&["2:/Users/Clara/"], &["/Users/Clara"]);
    assert_eq!(files(&plan), ["Users/Clara/Old photos/old.jpg"]);
    let plan = without(&["2:/", "2:/Windows"], &["/"]);
    assert_eq!(left(&plan), [(LeftReason::ByPlan, 2)]);
    let plan = without(&["2:/note.txt"], &["/note.txt", "/Users/Clara/song.txt"]);
    assert_eq!(files(&plan), ["Users/Clara/song.txt"]);
}

#[test]
fn files_without_a_date_are_taken_and_counted() {
    let (mut choir, root) = Builder::new();
    let (dated, undated) = (choir.file(root, "dated.txt", b""), choir.file(root, "undated.txt", b""));
    let day: Date = "2009-03-15".parse().unwrap();
    choir.change(undated, |object| object.set_times(None, None));
    // The last and the first moment of two days in Vienna, which is an hour ahead.
    let before = choir.file(root, "before.txt", b"");
    let after = choir.file(root, "after.txt", b"");
    let local = choir.file(root, "local.txt", b"");
    let at = |seconds: i64, zone| Some(Timestamp { ticks: seconds * 10_000_000, zone });
    let midnight = 1_237_075_200 - 3600;
    choir.change(before, |object| object.set_times(None, at(midnight - 1, Zone::Utc)));
    choir.change(after, |object| object.set_times(None, at(midnight, Zone::Utc)));
    choir.change(local, |object| object.set_times(None, at(1_237_075_200, Zone::Unknown)));
    choir.change(dated, |object| object.set_times(None, at(1_237_075_199, Zone::Unknown)));
    let choir = choir.finish(root, Some(ByteState::Read), &[]);
    let newer = Some((day, TimeZone::get("Europe/Vienna").unwrap()));
    let plan = plan(&choir, vec![choice(&choir, &["/"], Filter { newer, ..Filter::default() })]);
    assert_eq!(files(&plan), ["after.txt", "local.txt", "undated.txt"]);
    assert_eq!((left(&plan), plan.undated), (vec![(LeftReason::Older, 2)], 1));
}

#[test]
fn losses_are_never_left_out_with_the_folders() {
    let (mut choir, root) = Builder::new();
    let home = choir.folder(root, "Home");
    let torn = choir.folder(home, "Torn");
    choir.change(torn, |object| {
        object.incomplete.insert(Incomplete::LostRecords);
    });
    choir.file(torn, "song.txt", b"la");
    let old = choir.file(home, "old.jpg", b"");
    choir.facts(old, |facts| {
        facts.distrust.insert(Distrust::Deleted);
    });
    let choir = choir.finish(root, Some(ByteState::Read), &[]);
    let kinds = BTreeSet::from([FileKind::Pictures]);
    let plan = plan(&choir, vec![choice(&choir, &["/"], Filter { kinds, ..Filter::default() })]);
    assert_eq!(folders(&plan), ["", "Home", "Home/Torn"], "it may have held pictures");
    assert_eq!((left(&plan), plan.deleted_left), (vec![(LeftReason::OtherKind, 1)], 1));
}

#[test]
fn what_one_of_several_choices_takes_is_taken_under_the_same_name() {
    let (mut choir, root) = Builder::new();
    let folder = choir.folder(root, "Folder");
    for name in ["Photo.JPG", "photo.jpg", "song.txt"] {
        choir.file(folder, name, b"x");
    }
    let choir = choir.finish(root, Some(ByteState::Read), &[]);
    let matching = |text| Filter { matching: holds(text), ..Filter::default() };
    let one = || choice(&choir, &["/"], matching("photo"));
    let two = || choice(&choir, &["/Folder"], matching("Photo"));
    let alone = plan(&choir, vec![one()]);
    assert_eq!(files(&alone), ["Folder/photo (2).jpg"], "a name depends on the folder, not on the choice");
    let both = plan(&choir, vec![one(), two()]);
    assert_eq!(files(&both), ["Folder/Photo.JPG", "Folder/photo (2).jpg"]);
    assert_eq!(left(&both), [(LeftReason::NotMatched, 1)]);
    let plain = plan(&choir, vec![one(), choice(&choir, &["/Folder/song.txt"], Filter::default())]);
    assert_eq!(files(&plain), ["Folder/photo (2).jpg", "Folder/song.txt"]);
    let many = (0..=MOST_SELECTIONS).map(|_| two()).collect();
    let mut job = job(&choir, Vec::new(), Options::default());
    job.choices.list = many;
    assert!(Plan::make(&job).unwrap_err().to_string().contains("64 selections"));
}
