use super::arrange::Standing::{Inside, Leftover, Named, Volume};
use super::*;
use crate::filesystem::{Evidence, Structure, Verdict};
use crate::volumes::Kind;

const END: u64 = 10_000;

fn place(start: u64, length: u64, evidence: &[(Structure, Verdict)]) -> Candidate {
    Candidate {
        place: Place::BootSector { start, length },
        kind: Kind::Ntfs,
        evidence: evidence
            .iter()
            .map(|(structure, verdict)| Evidence { structure: *structure, offset: start, verdict: *verdict })
            .collect(),
        formatted_over: false,
    }
}

const FIRST: (Structure, Verdict) = (Structure::FirstCopy, Verdict::Stands);
const TABLE: (Structure, Verdict) = (Structure::FileTable, Verdict::Stands);
const NO_TABLE: (Structure, Verdict) = (Structure::FileTable, Verdict::Absent);
const UNREAD_TABLE: (Structure, Verdict) = (Structure::FileTable, Verdict::Unread);

fn arranged(candidates: &[Candidate], table: &[Neighbour]) -> Vec<(Standing, Vec<std::ops::Range<u64>>)> {
    let found = Found { candidates: candidates.to_vec(), ..Found::default() };
    arrange(&found, table, 3, END).into_iter().map(|one| (one.standing, one.contested)).collect()
}

fn neighbour(number: u32, range: std::ops::Range<u64>, could_not_be_opened: bool) -> Neighbour {
    Neighbour { number, range, could_not_be_opened }
}

#[test]
fn what_shows_a_place_decides_and_a_root_folder_or_checksum_alone_does_not() {
    let proof = |evidence: &[(Structure, Verdict)]| place(0, 10, evidence).proof();
    let root = (Structure::RootFolder, Verdict::Stands);
    let sum = (Structure::Checksum, Verdict::Stands);
    assert_eq!(proof(&[FIRST]), Proof::HeadOnly);
    assert_eq!(proof(&[FIRST, TABLE]), Proof::Proven);
    assert_eq!(proof(&[FIRST, NO_TABLE]), Proof::Disproven);
    assert_eq!(proof(&[FIRST, NO_TABLE, sum]), Proof::Disproven);
    assert_eq!(proof(&[FIRST, NO_TABLE, root]), Proof::Open);
    assert_eq!(proof(&[FIRST, UNREAD_TABLE]), Proof::Open);
    assert_eq!(proof(&[FIRST, sum]), Proof::Proven);
    assert_eq!(Candidate { formatted_over: true, ..place(0, 10, &[FIRST, TABLE]) }.proof(), Proof::Disproven);
}

#[test]
fn the_table_goes_first_and_numbers_follow_the_drive() {
    let table = [neighbour(1, 100..200, false), neighbour(2, 500..600, true)];
    let places = [
        place(100, 100, &[FIRST, TABLE]),
        place(120, 20, &[FIRST, TABLE]),
        place(150, 100, &[FIRST, TABLE]),
        place(500, 200, &[FIRST, TABLE]),
        place(800, 100, &[FIRST, NO_TABLE]),
    ];
    let standings = arranged(&places, &table);
    let expected = [
        (Named { volume: 1 }, vec![100..200]),
        (Inside { volume: 1 }, vec![120..140]),
        // Half in the table's volume: it is a volume of its own, and not of everything in it can that be said.
        (Volume { volume: 3 }, vec![150..200]),
        // The table's word was not enough to open it.
        (Volume { volume: 4 }, vec![]),
        (Leftover, vec![]),
    ];
    assert_eq!(standings, expected);
}

#[test]
fn of_two_that_overlap_each_claims_from_the_other_and_the_better_holds_the_worse() {
    let better = (Structure::FileTableMirror, Verdict::Stands);
    let places = [place(0, 1000, &[FIRST, TABLE, better]), place(400, 100, &[FIRST, TABLE]), place(450, 20, &[FIRST])];
    let standings = arranged(&places, &[]);
    assert_eq!(standings[0], (Volume { volume: 3 }, vec![400..500]));
    assert_eq!(standings[1], (Inside { volume: 3 }, vec![400..500]));
    // A head alone takes nothing from others.
    assert_eq!(standings[2], (Inside { volume: 3 }, vec![450..470]));
    // The inner one is the better proven one: both are volumes.
    let places = [place(0, 1000, &[TABLE]), place(400, 100, &[FIRST, TABLE])];
    let standings = arranged(&places, &[]);
    assert_eq!(standings[0], (Volume { volume: 3 }, vec![400..500]));
    assert_eq!(standings[1], (Volume { volume: 4 }, vec![400..500]));
}

#[test]
fn a_place_of_unknown_length_gets_what_lies_before_the_next_and_may_have_written_to_all() {
    let open_ended = Candidate {
        place: Place::Superblock { start: 100, length: None },
        kind: Kind::Luks1,
        ..place(0, 0, &[FIRST, (Structure::Neighbour, Verdict::Stands)])
    };
    let standings = arranged(&[open_ended.clone(), place(300, 100, &[FIRST, TABLE])], &[]);
    assert_eq!(standings[0], (Volume { volume: 3 }, vec![]));
    assert_eq!(standings[1], (Volume { volume: 4 }, vec![300..400]));
    assert_eq!(arranged(&[open_ended], &[neighbour(1, 0..200, false)])[0].0, Inside { volume: 1 });
}

#[test]
fn too_many_are_said_to_be_left_out() {
    let places: Vec<Candidate> = (0..140).map(|number| place(number * 10, 10, &[FIRST, TABLE])).collect();
    let left_out = arranged(&places, &[]).iter().filter(|(standing, _)| *standing == Standing::LeftOut).count();
    assert_eq!(left_out, 12);
}
