//! The drawing as PNG: every shape of a scene in pixels, two for each unit. Letters come from a font that was drawn in
//! pixels beforehand, so that no font is looked for and every machine makes the same file.

use noto_sans_mono_bitmap::{FontWeight, RasterHeight, get_raster, get_raster_width};

use super::scene::{Anchor, FLAG, Fill, Ink, Point, Scene, Shape, Size, Texture};

/// Pixels in a unit.
const SCALE: i32 = 2;

/// How far below the base line a letter's box ends, in units of a twelfth of its height.
const BELOW: i32 = 3;

/// Pixels, row by row.
pub(super) struct Canvas {
    width: i32,
    height: i32,
    rgb: Vec<u8>,
}

impl Canvas {
    /// Draws a scene.
    pub(super) fn of(scene: &Scene) -> Self {
        let (width, height) = (scene.width * SCALE, scene.height * SCALE);
        let [red, green, blue] = Fill::Paper.texture().ground;
        let rgb = [red, green, blue].repeat(usize::try_from(width * height).unwrap_or(0));
        let mut canvas = Self { width, height, rgb };
        for shape in &scene.shapes {
            canvas.shape(shape);
        }
        canvas
    }

    fn set(&mut self, x: i32, y: i32, colour: [u8; 3]) {
        self.mix(x, y, colour, 255);
    }

    /// Lays a colour over a pixel; 255 covers it.
    fn mix(&mut self, x: i32, y: i32, colour: [u8; 3], strength: u8) {
        if !(0..self.width).contains(&x) || !(0..self.height).contains(&y) {
            return;
        }
        let at = usize::try_from((y * self.width + x) * 3).unwrap_or(usize::MAX);
        let Some(pixel) = self.rgb.get_mut(at..).and_then(|rest| rest.get_mut(..3)) else { return };
        for (old, new) in pixel.iter_mut().zip(colour) {
            let (under, over, part) = (u32::from(*old), u32::from(new), u32::from(strength));
            *old = u8::try_from((under * (255 - part) + over * part) / 255).unwrap_or(u8::MAX);
        }
    }

    fn shape(&mut self, shape: &Shape) {
        match shape {
            Shape::Area { at, width, height, fill } => self.area(*at, *width, *height, *fill),
            Shape::Line { from, to, ink } => self.line(*from, *to, *ink),
            Shape::Flag { tip } => {
                let (half, high) = (FLAG.0 * SCALE, FLAG.1 * SCALE);
                for row in 0..high {
                    let reach = half * row / high;
                    for x in -reach..=reach {
                        self.set(tip.x * SCALE + x, tip.y * SCALE + row, Ink::Alarm.rgb());
                    }
                }
            }
            Shape::Text { at, anchor, size, ink, text } => self.text(*at, *anchor, *size, *ink, text),
        }
    }

    fn area(&mut self, at: Point, width: i32, height: i32, fill: Fill) {
        let Texture { ground, mark, kind } = fill.texture();
        for y in at.y * SCALE..(at.y + height) * SCALE {
            for x in at.x * SCALE..(at.x + width) * SCALE {
                self.set(x, y, if kind.at(x / SCALE, y / SCALE) { mark } else { ground });
            }
        }
    }

    /// A line, by its longer side step by step.
    fn line(&mut self, from: Point, to: Point, ink: Ink) {
        let (dx, dy) = ((to.x - from.x) * SCALE, (to.y - from.y) * SCALE);
        let steps = dx.abs().max(dy.abs()).max(1);
        for step in 0..=steps {
            let (x, y) = (from.x * SCALE + dx * step / steps, from.y * SCALE + dy * step / steps);
            for (x, y) in [(x, y), (x - 1, y), (x, y - 1), (x - 1, y - 1)] {
                self.set(x, y, ink.rgb());
            }
        }
    }

    fn text(&mut self, at: Point, anchor: Anchor, size: Size, ink: Ink, text: &str) {
        let (weight, height) = match size {
            Size::Small => (FontWeight::Regular, RasterHeight::Size24),
            Size::Large => (FontWeight::Bold, RasterHeight::Size32),
        };
        let step = i32::try_from(get_raster_width(weight, height)).unwrap_or(0);
        let count = i32::try_from(text.chars().count()).unwrap_or(0);
        let mut x = at.x * SCALE
            - match anchor {
                Anchor::Start => 0,
                Anchor::Middle => step * count / 2,
                Anchor::End => step * count,
            };
        let box_height = i32::try_from(height.val()).unwrap_or(0);
        let top = at.y * SCALE - box_height + box_height * BELOW / 12;
        for c in text.chars() {
            match get_raster(c, weight, height) {
                Some(letter) => {
                    for (row, y) in letter.rows().zip(top..) {
                        for (strength, x) in row.iter().zip(x..) {
                            self.mix(x, y, ink.rgb(), *strength);
                        }
                    }
                }
                // The font doesn't have it: an empty box, as elsewhere.
                None => self.empty_box(x + 2, top + 5, step - 4, box_height - 12, ink),
            }
            x += step;
        }
    }

    fn empty_box(&mut self, left: i32, top: i32, width: i32, height: i32, ink: Ink) {
        for x in left..left + width {
            self.set(x, top, ink.rgb());
            self.set(x, top + height - 1, ink.rgb());
        }
        for y in top..top + height {
            self.set(left, y, ink.rgb());
            self.set(left + width - 1, y, ink.rgb());
        }
    }
}

/// The pixels as a PNG file.
pub(super) fn encode(canvas: &Canvas) -> Result<Vec<u8>, String> {
    let mut bytes = Vec::new();
    let size = |length: i32| u32::try_from(length).map_err(|error| error.to_string());
    let mut encoder = png::Encoder::new(&mut bytes, size(canvas.width)?, size(canvas.height)?);
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_depth(png::BitDepth::Eight);
    encoder.set_compression(png::Compression::High);
    let mut writer = encoder.write_header().map_err(|error| error.to_string())?;
    writer.write_image_data(&canvas.rgb).map_err(|error| error.to_string())?;
    writer.finish().map_err(|error| error.to_string())?;
    Ok(bytes)
}
