//! A small picture of one file's content. The content is hostile: what it may cost is bounded before it is decoded.

use std::io::Cursor;

use image::metadata::Orientation;
use image::{DynamicImage, ImageDecoder, ImageFormat, ImageReader, Limits, RgbImage};

use super::jpeg;
use super::pixels::Pixels;

/// Bytes of a picture once it is decoded: 100 million pixels of three bytes, more than a camera has.
pub(super) const MOST_DECODED: u64 = 320 << 20;
/// Pixels times scans of a JPEG: one of 24 million pixels with the ten scans that programs write, and as much again ten
/// times. Each scan costs as much as the whole picture.
const MOST_SCANNED: u64 = 2_400_000_000;
/// Longest side in pixels: what JPEG can say (ITU-T T.81, B.2.2).
const LONGEST_SIDE: u32 = 65_535;

/// What can be shown of a file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Shown {
    /// A small picture.
    Picture(Vec<u8>),
    /// It has no decoder here, or is too large; the reason.
    Silent(&'static str),
    /// It does not open.
    Unopened,
}

/// The form that a file's name promises, if it is one that can be decoded.
pub(super) fn form(extension: &str) -> Option<ImageFormat> {
    match extension {
        "jpg" | "jpeg" | "jpe" | "jfif" => Some(ImageFormat::Jpeg),
        "png" => Some(ImageFormat::Png),
        "gif" => Some(ImageFormat::Gif),
        "bmp" | "dib" => Some(ImageFormat::Bmp),
        "tif" | "tiff" => Some(ImageFormat::Tiff),
        "webp" => Some(ImageFormat::WebP),
        _ => None,
    }
}

/// What decoding some content would cost in memory, in bytes; `None` if its head does not open.
pub(super) fn cost(content: &[u8]) -> Option<u64> {
    let decoder = open(content)?;
    Some(decoder.total_bytes())
}

fn open(content: &[u8]) -> Option<impl ImageDecoder + '_> {
    // By its first bytes and not by its name: a picture with another form's name opens in most programs.
    let mut reader = ImageReader::new(Cursor::new(content)).with_guessed_format().ok()?;
    let mut limits = Limits::default();
    limits.max_image_width = Some(LONGEST_SIDE);
    limits.max_image_height = Some(LONGEST_SIDE);
    limits.max_alloc = Some(2 * MOST_DECODED);
    reader.limits(limits);
    reader.into_decoder().ok()
}

/// The small picture of some content. `content` ends where a hole begins, if there is one (`is_cut`): the picture is
/// decoded as far as it goes, and the rest is marked.
pub(super) fn of(content: &[u8], is_cut: bool) -> Shown {
    let Some(mut decoder) = open(content) else { return Shown::Unopened };
    let (width, height) = decoder.dimensions();
    let total = decoder.total_bytes();
    if total > MOST_DECODED {
        return Shown::Silent("too large to be shown small");
    }
    let pixels = u64::from(width) * u64::from(height);
    if content.starts_with(&[0xff, 0xd8]) && pixels.saturating_mul(jpeg::scans(content)) > MOST_SCANNED {
        return Shown::Silent("too costly to be shown small");
    }
    let Ok(length) = usize::try_from(total) else { return Shown::Silent("too large to be shown small") };
    let orientation = decoder.orientation().unwrap_or(Orientation::NoTransforms);
    let mut decoded = Pixels { width, height, color: decoder.color_type(), bytes: vec![0; length] };
    let outcome = decoder.read_image(&mut decoded.bytes);
    // Decoders that give up leave what they had.
    if (outcome.is_err() || is_cut) && decoded.is_blank() {
        return Shown::Unopened;
    }
    if outcome.is_err() && !is_cut {
        return Shown::Unopened;
    }
    let lost_from = if is_cut { decoded.lost_from() } else { None };
    let mut small = DynamicImage::ImageRgb8(decoded.small(lost_from));
    small.apply_orientation(orientation);
    let small: RgbImage = small.into_rgb8();
    jpeg::encoded(&small).map_or(Shown::Silent("it can't be made small"), Shown::Picture)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn gradient(width: u32, height: u32) -> RgbImage {
        RgbImage::from_fn(width, height, |x, y| image::Rgb([(x % 256) as u8, (y % 256) as u8, ((x + y) % 256) as u8]))
    }

    fn written(form: ImageFormat) -> Vec<u8> {
        let mut bytes = Cursor::new(Vec::new());
        gradient(400, 300).write_to(&mut bytes, form).expect("a picture in memory");
        bytes.into_inner()
    }

    fn small(shown: Shown) -> RgbImage {
        let Shown::Picture(bytes) = shown else { panic!("{shown:?}") };
        image::load_from_memory(&bytes).expect("a JPEG").into_rgb8()
    }

    #[test]
    fn each_form_is_shown_whatever_its_name() {
        for form in [
            ImageFormat::Jpeg,
            ImageFormat::Png,
            ImageFormat::Gif,
            ImageFormat::Bmp,
            ImageFormat::Tiff,
            ImageFormat::WebP,
        ] {
            assert_eq!(small(of(&written(form), false)).dimensions(), (144, 108), "{form:?}");
        }
        assert_eq!(of(b"no picture", false), Shown::Unopened);
        assert_eq!(of(b"", true), Shown::Unopened);
    }

    #[test]
    fn what_is_left_of_a_cut_picture_is_shown_and_the_rest_is_hatched() {
        for form in [ImageFormat::Jpeg, ImageFormat::Png, ImageFormat::Bmp] {
            let whole = written(form);
            let cut = small(of(&whole[..whole.len() / 2], true));
            let far = |one: [u8; 3], other: [u8; 3]| {
                one.iter().zip(other).map(|(one, other)| one.abs_diff(other)).max().unwrap_or(0) > 60
            };
            let (top, bottom) = (cut.get_pixel(20, 4).0, cut.get_pixel(20, 103).0);
            let first = small(of(&whole, false));
            let lost = |pixel: [u8; 3]| pixel.iter().all(|channel| *channel > 180);
            // A bitmap stands on its head: there the top is lost.
            if form != ImageFormat::Bmp {
                assert!(!far(top, first.get_pixel(20, 4).0), "{form:?}: {top:?}");
                assert!(lost(bottom), "{form:?}: {bottom:?}");
            }
        }
        let whole = written(ImageFormat::Jpeg);
        assert_eq!(of(&whole[..100], true), Shown::Unopened, "nothing of it is left");
    }

    #[test]
    fn a_picture_that_stops_and_has_no_hole_does_not_open() {
        let whole = written(ImageFormat::Png);
        assert_eq!(of(&whole[..whole.len() / 2], false), Shown::Unopened);
    }

    #[test]
    fn what_a_head_claims_is_bounded() {
        // A PNG whose head claims 60,000 by 60,000 pixels (PNG specification, 11.2.2: width at 16, height at 20; the
        // chunk's CRC at 29).
        let mut huge = written(ImageFormat::Png);
        huge[16..20].copy_from_slice(&60_000_u32.to_be_bytes());
        huge[20..24].copy_from_slice(&60_000_u32.to_be_bytes());
        let crc = crc32fast::hash(&huge[12..29]);
        huge[29..33].copy_from_slice(&crc.to_be_bytes());
        assert!(matches!(of(&huge, false), Shown::Silent(_) | Shown::Unopened));
        // A JPEG with more scans than any program writes.
        let mut scans = written(ImageFormat::Jpeg);
        let end = scans.len() - 2;
        scans.splice(end..end, [0xff, 0xda].repeat(40_000));
        assert!(matches!(of(&scans, false), Shown::Silent(_)));
    }
}
