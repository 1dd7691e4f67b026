//! The drawing as SVG 1.1 (W3C Recommendation of 16 August 2011): one element, no script, nothing from elsewhere.

use std::fmt::Write;

use super::scene::{Anchor, FLAG, Fill, Ink, Marks, PERIOD, Point, Scene, Shape, Size, Texture};
use crate::sector_map::ByteState;

/// Fonts that one computer or the other has.
const FONTS: &str = "Arial, Helvetica, Liberation Sans, DejaVu Sans, sans-serif";

/// Writes a drawing.
pub(super) fn write(scene: &Scene) -> String {
    let mut out = String::new();
    let Scene { width, height, title, description, shapes } = scene;
    // Writing to a String can't fail.
    let _ = writeln!(
        out,
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width} {height}\" width=\"{width}\" height=\"{height}\" \
         role=\"img\" font-family=\"{FONTS}\">"
    );
    let _ = writeln!(out, "<title>{}</title>", escaped(title));
    let _ = writeln!(out, "<desc>{}</desc>", escaped(description));
    let _ = writeln!(out, "<defs>");
    for fill in Fill::ALL {
        pattern(&mut out, fill);
    }
    let _ = writeln!(out, "</defs>");
    let _ = writeln!(out, "<rect width=\"{width}\" height=\"{height}\" fill=\"{}\"/>", paint(Fill::Paper));
    for one in shapes {
        shape(&mut out, one);
    }
    out.push_str("</svg>\n");
    out
}

fn hex([red, green, blue]: [u8; 3]) -> String {
    format!("#{red:02x}{green:02x}{blue:02x}")
}

fn name(fill: Fill) -> &'static str {
    match fill {
        Fill::State(ByteState::Read) => "read",
        Fill::State(ByteState::Unread) => "unread",
        Fill::State(ByteState::Unreached) => "unreached",
        Fill::State(ByteState::Unknown) => "unknown",
        Fill::Chosen => "chosen",
        Fill::ChosenDamaged => "chosen-damaged",
        Fill::Paper => "paper",
    }
}

/// What an area is painted with: a colour, or a pattern by its name.
fn paint(fill: Fill) -> String {
    let Texture { ground, kind, .. } = fill.texture();
    if kind == Marks::Plain { hex(ground) } else { format!("url(#handback-{})", name(fill)) }
}

/// A texture, unit by unit as in [`Marks::at`].
fn pattern(out: &mut String, fill: Fill) {
    let Texture { ground, mark, kind } = fill.texture();
    if kind == Marks::Plain {
        return;
    }
    let _ = write!(
        out,
        "<pattern id=\"handback-{}\" width=\"{PERIOD}\" height=\"{PERIOD}\" patternUnits=\"userSpaceOnUse\">\
         <rect width=\"{PERIOD}\" height=\"{PERIOD}\" fill=\"{}\"/>",
        name(fill),
        hex(ground)
    );
    let path = match kind {
        Marks::Plain => "",
        // Half a unit of overlap hides the seams of the squares.
        Marks::Rising => "M0,0H3L0,3ZM8,0V3L3,8H0Z",
        Marks::Falling => "M0,0H2L8,6V8ZM0,6L2,8H0Z",
        Marks::Dots => "M1,1h2v2h-2ZM5,5h2v2h-2Z",
        Marks::Upright => "M0,0h2v8h-2ZM4,0h2v8h-2Z",
    };
    let _ = writeln!(out, "<path d=\"{path}\" fill=\"{}\"/></pattern>", hex(mark));
}

fn shape(out: &mut String, shape: &Shape) {
    let _ = match shape {
        Shape::Area { at: Point { x, y }, width, height, fill } => {
            writeln!(out, "<rect x=\"{x}\" y=\"{y}\" width=\"{width}\" height=\"{height}\" fill=\"{}\"/>", paint(*fill))
        }
        Shape::Line { from, to, ink } => {
            let Point { x, y } = from;
            writeln!(out, "<line x1=\"{x}\" y1=\"{y}\" x2=\"{}\" y2=\"{}\" stroke=\"{}\"/>", to.x, to.y, hex(ink.rgb()))
        }
        Shape::Flag { tip: Point { x, y } } => {
            let (half, high) = FLAG;
            let ink = hex(Ink::Alarm.rgb());
            writeln!(out, "<path d=\"M{x},{y}l{half},{high}h-{}Z\" fill=\"{ink}\"/>", 2 * half)
        }
        Shape::Text { at: Point { x, y }, anchor, size, ink, text } => {
            let anchor = match anchor {
                Anchor::Start => "",
                Anchor::Middle => " text-anchor=\"middle\"",
                Anchor::End => " text-anchor=\"end\"",
            };
            let weight = if *size == Size::Large { " font-weight=\"bold\"" } else { "" };
            let (size, ink) = (size.units(), hex(ink.rgb()));
            writeln!(
                out,
                "<text x=\"{x}\" y=\"{y}\" font-size=\"{size}\"{weight}{anchor} fill=\"{ink}\">{}</text>",
                escaped(text)
            )
        }
    };
}

/// Text between tags.
fn escaped(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            '\'' => safe.push_str("&#39;"),
            c => safe.push(c),
        }
    }
    safe
}
