//! The image file itself fails at the nth read: that ends the job as what it is, and never looks like the drive's hole.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use handback::error::{Error, Result};
use handback::filesystem::SweepOptions;
use handback::image::{Image, MemoryImage};
use handback::progress::Silent;
use handback::sector_map::{Basis, ByteState, SectorMap};
use handback::source::Source;
use handback::volumes::{self, Content};

use crate::common::fixture;
use crate::common::harness::images::Failing;
use crate::formats::FORMATS;
use crate::{DISKS, say, step};

/// Everything that the program reads of an image: table, volumes, sweep, every file's content, every link's target.
fn whole_job(source: &Source) -> Result<()> {
    let disk = volumes::open(source, Default::default())?;
    for volume in &disk.volumes {
        let Content::Readable(reader) = &volume.content else { continue };
        let options = SweepOptions { deleted: true, cross_check: true, ..SweepOptions::default() };
        let catalog = reader.sweep(options, &Silent)?.catalog;
        for (id, _) in catalog.objects() {
            reader.link_target(&catalog, id)?;
            match reader.extents(&catalog, id) {
                Ok(extents) => handback::content::read(reader.source(), &extents, &mut |_| Ok(())).map(|_| ())?,
                Err(error @ Error::ImageIo { .. }) => return Err(error),
                // What can't be placed on the sound image, either.
                Err(_) => {}
            }
        }
    }
    Ok(())
}

#[test]
fn a_failing_image_file_is_an_error_and_never_a_hole() {
    for name in FORMATS.iter().flat_map(|format| format.volumes).copied().chain(DISKS) {
        let below = Arc::new(MemoryImage::new(fixture::image(name)));
        let map = SectorMap::from_ranges(below.length(), Basis::Full, ByteState::Read, &[]).expect("no ranges");
        let run = |fails_at: u64, for_good: bool| {
            let image = Arc::new(Failing { below: Arc::clone(&below), reads: AtomicU64::new(0), fails_at, for_good });
            let result = whole_job(&Source::new(Arc::clone(&image) as Arc<dyn Image>, &map, 512));
            (result, image.reads.load(Ordering::Relaxed))
        };
        let (sound, reads) = run(u64::MAX, false);
        sound.expect("nothing fails");
        let mut tried = 0;
        for fails_at in (0..reads).step_by(step(reads, 8)) {
            for for_good in [false, true] {
                tried += 1;
                let (result, _) = run(fails_at, for_good);
                let said = matches!(result, Err(Error::ImageIo { .. }));
                assert!(said, "{name}, read {fails_at} of {reads}, for good {for_good}: {result:?}");
            }
        }
        say(&format!("{name}: {tried} failing reads of {reads}, once and for good: an error each time"));
    }
}
