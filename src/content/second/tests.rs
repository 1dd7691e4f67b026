use std::sync::Arc;

use super::*;
use crate::Error;
use crate::catalog::ObjectKind;
use crate::content::fingerprint;
use crate::filesystem;
use crate::image::failing_tests::FailingImage;
use crate::image::{Image, MemoryImage};
use crate::progress::Silent;
use crate::source::Source;
use crate::testing::fixture;

fn ours(filesystem: &dyn Filesystem, catalog: &Catalog) -> Vec<Ours> {
    let content = catalog.objects().filter(|(_, object)| matches!(object.kind, ObjectKind::File | ObjectKind::Stream));
    content
        .map(|(object, _)| {
            let found = fingerprint(filesystem, catalog, object, &mut |_| {}).unwrap();
            let read = found.map(|found| Read {
                sha256: found.sha256,
                size: found.outcome.length,
                gaps: !found.outcome.gaps.is_empty(),
            });
            Ours { object, read }
        })
        .collect()
}

#[test]
fn a_failing_image_file_is_an_error_at_any_read() {
    if !cfg!(feature = "second-reader") {
        return;
    }
    for name in ["ntfs-dirty", "ntfs-valid", "fat12"] {
        let bytes = fixture(name);
        let image: Arc<dyn Image> = Arc::new(MemoryImage::new(bytes.clone()));
        let sound = filesystem::open(&Source::without_map(image)).unwrap().unwrap();
        let swept = sound.sweep(Default::default(), &Silent).unwrap();
        let files = ours(sound.as_ref(), &swept.catalog);
        let open = |fails_at| {
            let image = Arc::new(FailingImage::new(bytes.clone(), fails_at));
            let filesystem = filesystem::open(&Source::without_map(Arc::clone(&image) as Arc<dyn Image>));
            (image, filesystem.map(Option::unwrap))
        };
        let (counting, filesystem) = open(u64::MAX);
        let first = counting.reads();
        compare(filesystem.unwrap().as_ref(), &swept.catalog, &files, &Silent).unwrap();
        assert!(counting.reads() > first + 3);
        for fails_at in first..counting.reads() {
            let (_, filesystem) = open(fails_at);
            let result = compare(filesystem.unwrap().as_ref(), &swept.catalog, &files, &Silent);
            assert!(matches!(result, Err(Error::ImageIo { .. })), "{name}, read {fails_at}: {result:?}");
        }
    }
}

#[test]
fn what_has_nothing_to_compare_is_not_asked_about() {
    let image: Arc<dyn Image> = Arc::new(MemoryImage::new(fixture("ntfs-dirty")));
    let filesystem = filesystem::open(&Source::without_map(image)).unwrap().unwrap();
    let swept = filesystem.sweep(Default::default(), &Silent).unwrap();
    let mut files = ours(filesystem.as_ref(), &swept.catalog);
    files[0].read = files[0].read.map(|read| Read { gaps: true, ..read });
    files[1].read = None;
    let outcomes = compare(filesystem.as_ref(), &swept.catalog, &files, &Silent).unwrap();
    assert_eq!(outcomes[0], Outcome::NotCheckable(Limit::Gaps));
    assert_eq!(outcomes[1], Outcome::NotCheckable(Limit::NothingRead));
}

/// A volume whose reader says that it is something else.
struct Renamed(Box<dyn Filesystem>, filesystem::VolumeFacts);

impl Filesystem for Renamed {
    fn source(&self) -> &Source {
        self.0.source()
    }
    fn facts(&self) -> &filesystem::VolumeFacts {
        &self.1
    }
    fn findings(&self) -> &crate::catalog::Findings {
        self.0.findings()
    }
    fn sweep(&self, options: filesystem::SweepOptions, progress: &dyn Progress) -> Result<filesystem::Swept> {
        self.0.sweep(options, progress)
    }
    fn extents(&self, catalog: &Catalog, object: ObjectId) -> Result<crate::catalog::Extents> {
        self.0.extents(catalog, object)
    }
    fn link_target(&self, catalog: &Catalog, object: ObjectId) -> Result<Option<String>> {
        self.0.link_target(catalog, object)
    }
    fn needs(&self, catalog: &Catalog, chosen: filesystem::Chosen<'_>) -> Result<filesystem::Needs> {
        self.0.needs(catalog, chosen)
    }
}

#[test]
fn without_a_second_reader_that_is_the_reason() {
    let image: Arc<dyn Image> = Arc::new(MemoryImage::new(fixture("ntfs-dirty")));
    let filesystem = filesystem::open(&Source::without_map(image)).unwrap().unwrap();
    let swept = filesystem.sweep(Default::default(), &Silent).unwrap();
    let files = ours(filesystem.as_ref(), &swept.catalog);
    let expected = if cfg!(feature = "second-reader") { Limit::NoSecondReader } else { Limit::NotBuiltIn };
    let facts = filesystem::VolumeFacts { filesystem: "exFAT", ..Default::default() };
    let outcomes = compare(&Renamed(filesystem, facts), &swept.catalog, &files, &Silent).unwrap();
    assert!(!outcomes.is_empty());
    assert!(outcomes.iter().all(|outcome| *outcome == Outcome::NotCheckable(expected)), "{outcomes:?}");
}
