//! What is drawn, as simple shapes at whole numbers of units: both drawings, SVG and PNG, are made from it.

use super::Picture;
use super::layout;
use crate::sector_map::ByteState;

/// What lines and letters are drawn in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Ink {
    Black,
    Grey,
    /// What points to something that would not come.
    Alarm,
}

impl Ink {
    pub(super) fn rgb(self) -> [u8; 3] {
        match self {
            Self::Black => [0x1e, 0x22, 0x26],
            Self::Grey => [0x6a, 0x70, 0x76],
            Self::Alarm => UNREAD,
        }
    }
}

/// Nearly black in grey, so that it is the darkest there is.
const UNREAD: [u8; 3] = [0x6b, 0x0f, 0x1a];
const PAPER: [u8; 3] = [0xff, 0xff, 0xff];

/// What an area is filled with: a ground, and marks on it that repeat every [`Texture::period`] units.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Fill {
    /// A state of the strip.
    State(ByteState),
    /// Chosen files that lost nothing.
    Chosen,
    /// Chosen files that lost something.
    ChosenDamaged,
    /// The paper itself, under words.
    Paper,
}

/// How a fill looks.
#[derive(Debug, Clone, Copy)]
pub(super) struct Texture {
    pub(super) ground: [u8; 3],
    pub(super) mark: [u8; 3],
    pub(super) kind: Marks,
}

/// The marks of a texture, in squares of 8 units.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Marks {
    /// None.
    Plain,
    /// Stripes that rise to the right, 3 units of 8.
    Rising,
    /// Stripes that fall to the right, 2 units of 8.
    Falling,
    /// Two dots of 2 by 2 units in each square.
    Dots,
    /// Upright lines, 2 units of 4.
    Upright,
}

/// Units after which marks repeat.
pub(super) const PERIOD: i32 = 8;

impl Marks {
    /// Whether a unit of the square is marked.
    #[cfg(any(test, feature = "picture"))]
    pub(super) fn at(self, x: i32, y: i32) -> bool {
        let (x, y) = (x.rem_euclid(PERIOD), y.rem_euclid(PERIOD));
        match self {
            Self::Plain => false,
            Self::Rising => (x + y) % PERIOD < 3,
            Self::Falling => (x - y).rem_euclid(PERIOD) < 2,
            Self::Dots => (1..3).contains(&(x % 4)) && (1..3).contains(&(y % 4)) && (x < 4) == (y < 4),
            Self::Upright => x % 4 < 2,
        }
    }
}

impl Fill {
    /// All that are drawn with a texture.
    pub(super) const ALL: [Self; 7] = [
        Self::State(ByteState::Read),
        Self::State(ByteState::Unread),
        Self::State(ByteState::Unreached),
        Self::State(ByteState::Unknown),
        Self::Chosen,
        Self::ChosenDamaged,
        Self::Paper,
    ];

    pub(super) fn texture(self) -> Texture {
        let (ground, mark, kind) = match self {
            Self::State(ByteState::Read) => ([0xdc, 0xe6, 0xdf], PAPER, Marks::Plain),
            Self::State(ByteState::Unread) => (UNREAD, PAPER, Marks::Plain),
            Self::State(ByteState::Unreached) => (PAPER, [0x4a, 0x69, 0x94], Marks::Rising),
            Self::State(ByteState::Unknown) => (PAPER, [0x70, 0x70, 0x70], Marks::Dots),
            Self::Chosen => (PAPER, [0x1f, 0x6f, 0x78], Marks::Upright),
            Self::ChosenDamaged => (UNREAD, [0xf2, 0xc9, 0xa0], Marks::Falling),
            Self::Paper => (PAPER, PAPER, Marks::Plain),
        };
        Texture { ground, mark, kind }
    }
}

/// How large letters are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Size {
    Small,
    Large,
}

impl Size {
    /// The height of a line's letters in units.
    pub(super) fn units(self) -> i32 {
        match self {
            Self::Small => 12,
            Self::Large => 16,
        }
    }

    /// How wide a text may become, in units; fonts differ.
    pub(super) fn width(self, text: &str) -> i32 {
        let letters = i32::try_from(text.chars().count()).unwrap_or(i32::MAX / 16);
        letters * if self == Self::Small { 7 } else { 9 }
    }
}

/// From where a text runs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Anchor {
    Start,
    Middle,
    End,
}

/// A place in units, from the upper left corner.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Point {
    pub(super) x: i32,
    pub(super) y: i32,
}

/// Something to draw. Later ones cover earlier ones.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Shape {
    /// An area.
    Area { at: Point, width: i32, height: i32, fill: Fill },
    /// A line of one unit.
    Line { from: Point, to: Point, ink: Ink },
    /// A small triangle that points up to `tip`.
    Flag { tip: Point },
    /// Words; `at` is on their base line.
    Text { at: Point, anchor: Anchor, size: Size, ink: Ink, text: String },
}

/// Half the width of a flag, and its height, in units.
pub(super) const FLAG: (i32, i32) = (4, 7);

/// A drawing.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Scene {
    pub(super) width: i32,
    pub(super) height: i32,
    /// What it is, for those who can't see it.
    pub(super) title: String,
    pub(super) description: String,
    pub(super) shapes: Vec<Shape>,
}

impl Scene {
    pub(super) fn of(picture: &Picture) -> Self {
        layout::scene(picture)
    }

    pub(super) fn area(&mut self, x: i32, y: i32, width: i32, height: i32, fill: Fill) {
        if width > 0 && height > 0 {
            self.shapes.push(Shape::Area { at: Point { x, y }, width, height, fill });
        }
    }

    pub(super) fn line(&mut self, from: (i32, i32), to: (i32, i32), ink: Ink) {
        let point = |(x, y)| Point { x, y };
        self.shapes.push(Shape::Line { from: point(from), to: point(to), ink });
    }

    pub(super) fn frame(&mut self, x: i32, y: i32, width: i32, height: i32, ink: Ink) {
        let (right, bottom) = (x + width, y + height);
        self.line((x, y), (right, y), ink);
        self.line((x, bottom), (right, bottom), ink);
        self.line((x, y), (x, bottom), ink);
        self.line((right, y), (right, bottom), ink);
    }

    pub(super) fn flag(&mut self, x: i32, y: i32) {
        self.shapes.push(Shape::Flag { tip: Point { x, y } });
    }

    pub(super) fn text(&mut self, (x, y): (i32, i32), anchor: Anchor, size: Size, ink: Ink, text: impl Into<String>) {
        self.shapes.push(Shape::Text { at: Point { x, y }, anchor, size, ink, text: text.into() });
    }
}
