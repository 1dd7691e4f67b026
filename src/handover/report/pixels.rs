//! From a picture's pixels to a small one, and from where on it is lost.

use image::{ColorType, Rgb, RgbImage, imageops};

/// The longer side of a small picture.
pub(super) const SIDE: u32 = 144;

const GONE: [Rgb<u8>; 2] = [Rgb([0xe4, 0xe7, 0xea]), Rgb([0xc9, 0xce, 0xd3])];
const EDGE: Rgb<u8> = Rgb([0xa3, 0x20, 0x20]);

/// A decoded picture.
pub(super) struct Pixels {
    pub(super) width: u32,
    pub(super) height: u32,
    pub(super) color: ColorType,
    /// Rows from the top, as the decoder gives them: channels of 16 bits in the order of this computer.
    pub(super) bytes: Vec<u8>,
}

impl Pixels {
    /// Bytes of a row.
    fn stride(&self) -> usize {
        self.width as usize * usize::from(self.color.bytes_per_pixel())
    }

    /// One pixel, on white where it is transparent.
    fn rgb(&self, x: u32, y: u32) -> Rgb<u8> {
        let channels = usize::from(self.color.channel_count());
        let step = usize::from(self.color.bytes_per_pixel());
        let at = y as usize * self.stride() + x as usize * step;
        let Some(pixel) = self.bytes.get(at..at + step) else { return GONE[0] };
        let channel = |number: usize| match step / channels.max(1) {
            1 => pixel[number],
            2 => (u16::from_ne_bytes([pixel[2 * number], pixel[2 * number + 1]]) >> 8) as u8,
            _ => {
                let four = pixel.get(4 * number..4 * number + 4).and_then(|four| four.try_into().ok());
                (f32::from_ne_bytes(four.unwrap_or_default()).clamp(0.0, 1.0) * 255.0) as u8
            }
        };
        let (red, green, blue, alpha) = match channels {
            1 => (channel(0), channel(0), channel(0), 255),
            2 => (channel(0), channel(0), channel(0), channel(1)),
            3 => (channel(0), channel(1), channel(2), 255),
            _ => (channel(0), channel(1), channel(2), channel(3)),
        };
        let on_white = |color: u8| {
            let (color, alpha) = (u32::from(color), u32::from(alpha));
            ((color * alpha + 255 * (255 - alpha)) / 255) as u8
        };
        Rgb([on_white(red), on_white(green), on_white(blue)])
    }

    /// From which row on all are of one colour, the last row's: what a decoder leaves where it had nothing. `None` if the
    /// picture has something down to its end, or nothing at all.
    pub(super) fn lost_from(&self) -> Option<u32> {
        let step = usize::from(self.color.bytes_per_pixel());
        let stride = self.stride();
        if stride == 0 || self.bytes.len() < stride {
            return None;
        }
        let last = &self.bytes[self.bytes.len() - step..];
        let empty = |row: &[u8]| row.chunks_exact(step).all(|pixel| pixel == last);
        let rows = self.bytes.chunks_exact(stride);
        let count = rows.len();
        let gone = rows.rev().take_while(|row| empty(row)).count();
        u32::try_from(count - gone).ok().filter(|from| gone > 0 && *from > 0)
    }

    /// Whether nothing is to be seen at all: every pixel is the same.
    pub(super) fn is_blank(&self) -> bool {
        let step = usize::from(self.color.bytes_per_pixel());
        let first = self.bytes.get(..step).unwrap_or_default();
        self.bytes.chunks_exact(step.max(1)).all(|pixel| pixel == first)
    }

    /// The small picture. With `lost_from`, what lies below that row is hatched.
    pub(super) fn small(&self, lost_from: Option<u32>) -> RgbImage {
        let longest = self.width.max(self.height).max(1);
        let scaled = |length: u32| match longest > SIDE {
            true => (u64::from(length) * u64::from(SIDE) / u64::from(longest)).max(1) as u32,
            false => length.max(1),
        };
        let (width, height) = (scaled(self.width), scaled(self.height));
        let mut small = match self.color {
            // The common case needs no copy by pixel.
            ColorType::Rgb8 => {
                match image::ImageBuffer::<Rgb<u8>, &[u8]>::from_raw(self.width, self.height, &self.bytes) {
                    Some(view) => imageops::thumbnail(&view, width, height),
                    None => RgbImage::from_pixel(width, height, GONE[0]),
                }
            }
            _ => self.averaged(width, height),
        };
        if let Some(from) = lost_from {
            let edge = (u64::from(from) * u64::from(height) / u64::from(self.height.max(1))) as u32;
            for y in edge.min(height - 1)..height {
                for x in 0..width {
                    let hatch = GONE[usize::from((x + y) % 8 < 3)];
                    small.put_pixel(x, y, if y < edge + 2 { EDGE } else { hatch });
                }
            }
        }
        small
    }

    /// Each pixel the mean of some of those that it stands for.
    fn averaged(&self, width: u32, height: u32) -> RgbImage {
        const SAMPLES: u32 = 3;
        let place = |at: u32, sample: u32, small: u32, large: u32| {
            let fine = u64::from(at) * u64::from(SAMPLES) + u64::from(sample);
            (fine * u64::from(large) / (u64::from(small) * u64::from(SAMPLES))) as u32
        };
        RgbImage::from_fn(width, height, |x, y| {
            let mut sum = [0_u32; 3];
            for sample in 0..SAMPLES * SAMPLES {
                let (right, down) = (sample % SAMPLES, sample / SAMPLES);
                let pixel = self.rgb(place(x, right, width, self.width), place(y, down, height, self.height));
                sum.iter_mut().zip(pixel.0).for_each(|(sum, channel)| *sum += u32::from(channel));
            }
            Rgb(sum.map(|sum| (sum / (SAMPLES * SAMPLES)) as u8))
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rows(colors: &[u8]) -> Pixels {
        let bytes = colors.iter().flat_map(|color| [*color; 4 * 3]).collect();
        Pixels { width: 4, height: colors.len() as u32, color: ColorType::Rgb8, bytes }
    }

    #[test]
    fn the_lost_part_is_found() {
        assert_eq!(rows(&[1, 2, 9, 9]).lost_from(), Some(2));
        assert_eq!(rows(&[9, 9, 9, 9]).lost_from(), None);
        assert!(rows(&[9, 9]).is_blank() && !rows(&[9, 8]).is_blank());
        let mut busy = rows(&[1, 2, 3]);
        *busy.bytes.last_mut().unwrap() = 7;
        assert_eq!(busy.lost_from(), None);
    }

    #[test]
    fn every_form_becomes_small() {
        for (color, bytes) in [
            (ColorType::L8, vec![255; 300 * 200]),
            (ColorType::La8, vec![255; 300 * 200 * 2]),
            (ColorType::Rgb8, vec![255; 300 * 200 * 3]),
            (ColorType::Rgba8, vec![0; 300 * 200 * 4]),
            (ColorType::Rgb16, vec![255; 300 * 200 * 6]),
            (ColorType::Rgba16, vec![0; 300 * 200 * 8]),
        ] {
            let small = Pixels { width: 300, height: 200, color, bytes }.small(None);
            assert_eq!(small.dimensions(), (144, 96), "{color:?}");
            assert!(small.pixels().all(|pixel| pixel.0 == [255; 3]), "{color:?}: transparent is white");
        }
        let marked = rows(&[1, 2, 9, 9]).small(Some(2));
        assert_eq!((marked.get_pixel(0, 1).0, marked.get_pixel(0, 2).0), ([2; 3], EDGE.0));
    }
}
