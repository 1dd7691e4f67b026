//! NTFS, by the crate `ntfs`: each file is opened by the number of its record.

use std::sync::Arc;

use ntfs::attribute_value::NtfsAttributeValue;
use ntfs::{Ntfs, NtfsAttributeType, NtfsReadSeek};
use sha2::{Digest, Sha256};

use super::Limit;
use super::book::{Answer, Book};
use super::questions::{BUDGET_ON_THE_WAY, PIECE, budget_of_file, failed, run};
use crate::bytes::to_u64;
use crate::catalog::{ObjectId, ObjectKind};
use crate::error::Result;
use crate::progress::Progress;
use crate::source::fence::session::{Desk, SessionReader};

/// The record that describes the file table.
const MFT: u64 = 0;

/// A file or stream to be read.
#[derive(Debug, Clone)]
struct Question {
    record: u64,
    /// The name of a stream as stored; empty for a file's own content.
    stream: Arc<[u16]>,
    size: u64,
}

/// Asks about files and streams in the order of their records.
pub(super) fn ask(book: &mut Book<'_>, progress: &dyn Progress) -> Result<()> {
    let catalog = book.catalog;
    let question = |object: ObjectId, size| {
        let entry = catalog.object(object);
        let name = catalog.names_of(object).next().filter(|_| entry.kind == ObjectKind::Stream);
        let stream = name.map(|name| catalog.name(name).units()).unwrap_or_default().into();
        Question { record: entry.locator, stream, size }
    };
    let mut questions: Vec<(usize, Question)> =
        book.open().map(|(index, object, size)| (index, question(object, size))).collect();
    questions.sort_by_key(|(index, question)| (question.record, *index));
    run(book, questions, progress, answer_all)
}

fn answer_all(desk: &Desk<Answer>, questions: Vec<(usize, Question)>) {
    let mut reader = desk.reader();
    desk.begin(None, BUDGET_ON_THE_WAY);
    let opened = desk.guarded(|| {
        let ntfs = Ntfs::new(&mut reader).map_err(|error| error.to_string())?;
        let limit = limit_of_table(&ntfs, &mut reader);
        Ok::<_, String>((ntfs, limit))
    });
    let (ntfs, limit) = match opened {
        Ok(Ok(opened)) => opened,
        Ok(Err(_)) | Err(_) => {
            let limit = if desk.met_hole() { Limit::HoleOnItsWay } else { Limit::VolumeRefused };
            for (index, _) in questions {
                desk.answer(index, Answer::Limit(limit));
            }
            return;
        }
    };
    let mut buffer = vec![0; PIECE];
    for (index, question) in questions {
        if desk.is_given_up() {
            return;
        }
        desk.begin(Some(index), budget_of_file(question.size));
        let answer = match desk.guarded(|| content(desk, &ntfs, &mut reader, &question, &mut buffer)) {
            // A read that met a hole may have been taken for the end of something.
            Ok(Ok(_)) if desk.met_hole() => Answer::Limit(Limit::HoleOnItsWay),
            Ok(Ok(Some(found))) => {
                Answer::Content { size: found.size, sha256: found.sha256, limit: found.limit.or(limit) }
            }
            Ok(Ok(None)) => Answer::NotFound { limit },
            Ok(Err(message)) => failed(desk, &message, limit),
            Err(panic) => failed(desk, &format!("it panicked ({panic})"), limit),
        };
        desk.answer(index, answer);
    }
}

/// The crate finds records through the runs that stand in the table's first record: it follows no list of attributes
/// there, and takes every record for one piece.
fn limit_of_table(ntfs: &Ntfs, reader: &mut SessionReader) -> Option<Limit> {
    let table = ntfs.file(reader, MFT).ok()?;
    let mut is_split = || {
        let record = u64::from(ntfs.file_record_size());
        let data = table.data(reader, "")?.ok()?;
        let NtfsAttributeValue::NonResident(value) = data.to_attribute().ok()?.value(reader).ok()? else { return None };
        let mut end = 0_u64;
        // The last run's end splits nothing.
        Some(value.data_runs().map_while(|run| run.ok()).any(|run| {
            let splits = end.checked_rem(record) != Some(0);
            end = end.saturating_add(run.allocated_size());
            splits
        }))
    };
    (has_list(&table) || is_split().unwrap_or(false)).then_some(Limit::TableInPieces)
}

fn has_list(file: &ntfs::NtfsFile<'_>) -> bool {
    file.attributes_raw()
        .map_while(|attribute| attribute.ok())
        .any(|attribute| matches!(attribute.ty(), Ok(NtfsAttributeType::AttributeList)))
}

struct Found {
    size: u64,
    sha256: [u8; 32],
    limit: Option<Limit>,
}

fn content(
    desk: &Desk<Answer>,
    ntfs: &Ntfs,
    reader: &mut SessionReader,
    question: &Question,
    buffer: &mut [u8],
) -> Result<Option<Found>, String> {
    let text = |error: ntfs::NtfsError| error.to_string();
    let file = ntfs.file(reader, question.record).map_err(text)?;
    let limit = has_list(&file).then_some(Limit::SeveralRecords);
    let mut attributes = file.attributes();
    while let Some(item) = attributes.next(reader) {
        let item = item.map_err(text)?;
        let attribute = item.to_attribute().map_err(text)?;
        // A type that the crate does not know is no content.
        if !matches!(attribute.ty(), Ok(NtfsAttributeType::Data))
            || !attribute.name().map_err(text)?.u16_iter().eq(question.stream.iter().copied())
        {
            continue;
        }
        let mut value = attribute.value(reader).map_err(text)?;
        let (mut hash, mut size) = (Sha256::new(), 0_u64);
        // One byte more than ours is another size, however much more there is.
        while size <= question.size {
            let count = value.read(reader, buffer).map_err(text)?;
            let Some(piece) = buffer.get(..count).filter(|piece| !piece.is_empty()) else { break };
            hash.update(piece);
            size = size.saturating_add(to_u64(count));
            desk.advance(to_u64(count));
        }
        let size = if size > question.size { value.len() } else { size };
        return Ok(Some(Found { size, sha256: hash.finalize().into(), limit }));
    }
    Ok(None)
}
