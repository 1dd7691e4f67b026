//! Explore.
mod common;
use common::fixture;
use handback::catalog::ObjectKind;
use handback::content::second::{self, Ours, Read};
use handback::filesystem;
use handback::progress::Silent;
use sha2::{Digest, Sha256};

#[test]
fn explore() {
    let mut names: Vec<String> = std::fs::read_dir("test-images")
        .unwrap()
        .filter_map(|e| Some(e.unwrap().file_name().into_string().unwrap().strip_suffix(".img.zst")?.to_string()))
        .filter(|n| n.starts_with("fat"))
        .collect();
    names.sort();
    for name in names {
        let source = fixture::all_read(&name);
        let fs = filesystem::open(&source).unwrap().unwrap();
        let swept = fs.sweep(Default::default(), &Silent).unwrap();
        let mut ours = vec![];
        for (id, object) in swept.catalog.objects() {
            if !matches!(object.kind, ObjectKind::File | ObjectKind::Stream) {
                continue;
            }
            let read = match fs.extents(&swept.catalog, id) {
                Ok(extents) => {
                    let mut hash = Sha256::new();
                    let outcome = handback::content::read(fs.source(), &extents, &mut |p| {
                        hash.update(p);
                        Ok(())
                    })
                    .unwrap();
                    Some(Read { sha256: hash.finalize().into(), size: outcome.length, gaps: !outcome.gaps.is_empty() })
                }
                Err(_) => None,
            };
            ours.push(Ours { object: id, read });
        }
        let began = std::time::Instant::now();
        let outcomes = second::compare(fs.as_ref(), &swept.catalog, &ours, &Silent).unwrap();
        let mut totals = second::Totals::default();
        for (o, f) in outcomes.iter().zip(&ours) {
            totals.add(o);
            if let second::Outcome::Differs(_) = o {
                println!("   {name} {} {}", swept.catalog.first_path(f.object), o.sentence());
            }
        }
        println!(
            "{name}: {} agree, {} differ, {} not: {:?} in {:?}",
            totals.agrees,
            totals.differs,
            totals.not_checkable,
            totals.limits,
            began.elapsed()
        );
    }
}
