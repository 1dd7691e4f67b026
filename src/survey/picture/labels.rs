//! Where the names of volumes stand above the strip, so that none covers another.

/// A label that found its place.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Placed {
    /// Where it begins.
    pub(super) x: i32,
    /// The row, counted from the strip upwards.
    pub(super) row: usize,
    pub(super) text: String,
}

/// How many rows there are.
pub(super) const ROWS: usize = 5;

/// The room between two labels, and between a label and the line that leads to it, in units.
const ROOM: i32 = 8;
const BESIDE: i32 = 4;

/// Places a label for each of `places` (where its line stands, in order), each with texts from the longest to the
/// shortest. Lines lead straight up to their labels, which stand right of them: so those further left stand higher, and
/// no line crosses a label. If one finds no room for any but its shortest text, all have that: in a crowd, some long
/// names among bare numbers would only look as if they meant more. What finds no room even then has no label.
pub(super) fn place(
    places: &[(i32, Vec<String>)],
    right_edge: i32,
    width: impl Fn(&str) -> i32,
) -> Vec<Option<Placed>> {
    let with = |range: fn(&[String]) -> &[String]| {
        let some: Vec<(i32, &[String])> = places.iter().map(|(x, texts)| (*x, range(texts))).collect();
        try_place(&some, right_edge, &width)
    };
    let long = with(|texts| texts.split_last().map_or(&[], |(_, long)| long));
    if long.iter().all(Option::is_some) { long } else { with(|texts| texts.get(texts.len() - 1..).unwrap_or_default()) }
}

fn try_place(places: &[(i32, &[String])], right_edge: i32, width: impl Fn(&str) -> i32) -> Vec<Option<Placed>> {
    let mut found = vec![None; places.len()];
    // Of each row: where its leftmost label begins, and the leftmost line that leads up to it.
    let mut taken = [(i32::MAX, i32::MAX); ROWS];
    for (at, (x, texts)) in places.iter().enumerate().rev() {
        let start = |text: &str| (x + BESIDE).min(right_edge - width(text));
        let fits = |row: usize, text: &str| {
            let passes = taken[..row].iter().all(|(label, _)| *x < label - 1);
            let room = taken[row + 1..].iter().map(|(_, line)| *line).chain([taken[row].0]).min().unwrap_or(i32::MAX);
            passes && start(text).saturating_add(width(text)) <= room.saturating_sub(ROOM)
        };
        let choice = texts.iter().find_map(|text| {
            let row = (0..ROWS).find(|row| fits(*row, text))?;
            Some(Placed { x: start(text), row, text: text.clone() })
        });
        if let Some(placed) = &choice {
            taken[placed.row] = (placed.x, *x);
        }
        found[at] = choice;
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    fn width(text: &str) -> i32 {
        text.len() as i32 * 7
    }

    fn texts(number: usize) -> Vec<String> {
        vec![format!("{number} NTFS a long name"), format!("{number} NTFS"), number.to_string()]
    }

    #[test]
    fn labels_never_cover_one_another_nor_a_line() {
        for count in [1, 2, 3, 8, 30, 200] {
            for squeeze in [1, 3, 40] {
                let places: Vec<(i32, Vec<String>)> =
                    (0..count).map(|at| (40 + (at * 1100 / count / squeeze) as i32, texts(at))).collect();
                let placed = place(&places, 1160, width);
                let all: Vec<(i32, &Placed)> =
                    places.iter().zip(&placed).filter_map(|((x, _), one)| Some((*x, one.as_ref()?))).collect();
                assert!(!all.is_empty());
                for (at, (x, one)) in all.iter().enumerate() {
                    assert!(one.x + width(&one.text) <= 1160 && one.row < ROWS);
                    for (other_x, other) in all.iter().skip(at + 1) {
                        let apart = one.x + width(&one.text) <= other.x || other.x + width(&other.text) <= one.x;
                        assert!(one.row != other.row || apart, "{count}/{squeeze}: {one:?} {other:?}");
                        let spans = |label: &Placed, line: &i32| (label.x..label.x + width(&label.text)).contains(line);
                        let crosses =
                            other.row < one.row && spans(other, x) || one.row < other.row && spans(one, other_x);
                        assert!(!crosses, "{count}/{squeeze}: a line crosses {one:?} or {other:?}");
                    }
                }
            }
        }
    }

    #[test]
    fn small_volumes_stand_one_above_the_other_and_a_crowd_has_numbers() {
        let start: Vec<(i32, Vec<String>)> = [40, 40, 41, 590, 591].into_iter().zip((1..).map(texts)).collect();
        let placed: Vec<Placed> = place(&start, 1160, width).into_iter().map(|one| one.unwrap()).collect();
        assert!(placed.iter().all(|one| one.text.ends_with("a long name")), "{placed:?}");
        let rows: Vec<usize> = placed.iter().map(|one| one.row).collect();
        assert_eq!(rows, [2, 1, 0, 1, 0]);
        let crowd: Vec<(i32, Vec<String>)> = (0..30).map(|at| (40 + at * 37, texts(at as usize + 1))).collect();
        let placed = place(&crowd, 1160, width);
        assert!(placed.iter().zip(1..).all(|(one, number)| one.as_ref().unwrap().text == format!("{number}")));
    }

    #[test]
    fn with_room_each_has_its_whole_name() {
        let placed = place(&[(40, texts(1)), (400, texts(2)), (1150, texts(3))], 1160, width);
        let words: Vec<&str> = placed.iter().map(|one| one.as_ref().unwrap().text.as_str()).collect();
        assert_eq!(words, ["1 NTFS a long name", "2 NTFS a long name", "3 NTFS a long name"]);
        assert_eq!(placed[0].as_ref().unwrap().row, 0);
    }
}
