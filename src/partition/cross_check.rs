//! Sound tables are read a second time by independent crates, behind the fence. They panic or give up on damaged ones.

use super::{CrossCheck, Scheme, Table};
use crate::catalog::FindingKind;
use crate::error::Result;
use crate::source::Source;

/// Findings after which a table is no longer one that every reader must take.
const UNSOUND: &[FindingKind] = &[
    FindingKind::TableUnread,
    FindingKind::PartitionEntryBad,
    FindingKind::LogicalChainBroken,
    FindingKind::LogicalChainLoop,
    FindingKind::GptHeaderBad,
    FindingKind::GptArrayBad,
    FindingKind::GptCopiesDiffer,
    FindingKind::GptBackupUsed,
    FindingKind::GptOtherLength,
    FindingKind::ProtectiveMissing,
    FindingKind::GptArrayAlone,
    FindingKind::TableOtherSectorSize,
];

/// Asks the independent readers, if there is a sound table and they were built in.
///
/// # Errors
/// [`crate::Error::ImageIo`] when the image file can't be read.
pub(super) fn run(source: &Source, table: &Table) -> Result<CrossCheck> {
    let sound = table.complete && UNSOUND.iter().all(|kind| table.findings.count(*kind) == 0);
    if !sound || table.scheme == Scheme::None {
        return Ok(CrossCheck::NotAsked);
    }
    readers::ask(source, table)
}

#[cfg(not(feature = "cross-check"))]
mod readers {
    use super::{CrossCheck, Result, Source, Table};

    pub(super) fn ask(_: &Source, _: &Table) -> Result<CrossCheck> {
        Ok(CrossCheck::NotCheckable("the independent readers were not built in".to_string()))
    }
}

#[cfg(feature = "cross-check")]
mod readers {
    use std::time::Duration;

    use super::super::gpt_header::{Header, SMALLEST_ENTRY, SMALLEST_HEADER};
    use super::super::{Purpose, TypeCode, read_real};
    use super::{CrossCheck, Result, Scheme, Source, Table};
    use crate::source::fence::{self, Budget, Failure};

    /// An MBR takes a few reads a link, a GPT one an entry.
    const BUDGET: Budget = Budget { reads: 100_000, time: Duration::from_secs(10) };

    /// One partition as both sides can say it: number, first sector, sectors, type.
    type Row = (u64, u64, u64, String);
    type Answer = Result<Result<Vec<Row>, String>, Failure>;

    pub(super) fn ask(source: &Source, table: &Table) -> Result<CrossCheck> {
        let refused = if table.scheme == Scheme::Gpt { gpt_limit(source, table)? } else { mbr_limit(table) };
        if let Some(limit) = refused {
            return Ok(CrossCheck::NotCheckable(limit));
        }
        let (reader, answer) = if table.scheme == Scheme::Gpt {
            ("gpt", ask_gpt(source, table)?)
        } else {
            ("mbrman", ask_mbr(source, table)?)
        };
        Ok(match answer {
            Err(Failure::NoThread) => CrossCheck::NotCheckable("no thread could be started".to_string()),
            Err(failure) => CrossCheck::Differs(format!("`{reader}` gave no answer: {failure}")),
            Ok(Err(refusal)) => CrossCheck::Differs(format!("`{reader}` refuses the table: {refusal}")),
            Ok(Ok(rows)) => compare(reader, &ours(table), &rows),
        })
    }

    fn ours(table: &Table) -> Vec<Row> {
        let sectors = |bytes: u64| bytes.checked_div(table.unit).unwrap_or(0);
        table
            .partitions
            .iter()
            .map(|one| (u64::from(one.number), sectors(one.start), sectors(one.length), one.code.to_string()))
            .collect()
    }

    fn compare(reader: &str, ours: &[Row], theirs: &[Row]) -> CrossCheck {
        let show = |row: Option<&Row>| match row {
            Some((_, first, count, code)) => format!("{count} sectors from {first}, type {code}"),
            None => "no such partition".to_string(),
        };
        let numbers: std::collections::BTreeSet<u64> = ours.iter().chain(theirs).map(|row| row.0).collect();
        for number in numbers {
            let find = |rows: &'_ [Row]| rows.iter().find(|row| row.0 == number).cloned();
            let (mine, other) = (find(ours), find(theirs));
            if mine != other {
                let (mine, other) = (show(mine.as_ref()), show(other.as_ref()));
                return CrossCheck::Differs(format!("partition {number}: {mine}; `{reader}` sees {other}"));
            }
        }
        CrossCheck::Agrees
    }

    /// What `mbrman` 0.6 does not take, though it is legal.
    fn mbr_limit(table: &Table) -> Option<String> {
        let extended = table.partitions.iter().filter(|one| one.is_extended()).count();
        let logical: Vec<u64> = table.partitions.iter().filter(|one| one.logical).map(|one| one.start).collect();
        if extended > 1 {
            Some("`mbrman` reads one extended partition".to_string())
        } else if !logical.is_sorted() {
            Some("`mbrman` reads logical partitions only in ascending order".to_string())
        } else if table.partitions.iter().any(|one| matches!(one.code, TypeCode::Mbr(0xc5 | 0xd5))) {
            Some("`mbrman` takes the types c5 and d5 for extended partitions".to_string())
        } else if table.partitions.iter().any(|one| one.code.purpose() == Purpose::Protective) {
            Some("the table holds a protective entry".to_string())
        } else {
            None
        }
    }

    /// What `gpt` 4 does not take, though it is legal.
    fn gpt_limit(source: &Source, table: &Table) -> Result<Option<String>> {
        if gpt::disk::LogicalBlockSize::try_from(table.unit).is_err() {
            return Ok(Some("`gpt` reads sectors of 512 and 4096 bytes".to_string()));
        }
        let sector = read_real(source, table.unit, 512)?;
        Ok(match sector.and_then(|sector| Header::from_bytes(&sector)) {
            Some(header) if header.entry_size != SMALLEST_ENTRY => {
                Some(format!("`gpt` reads entries of {SMALLEST_ENTRY} bytes, these have {}", header.entry_size))
            }
            Some(header) if header.size != SMALLEST_HEADER => {
                Some(format!("`gpt` checks headers of {SMALLEST_HEADER} bytes, this one has {}", header.size))
            }
            Some(_) => None,
            None => Some("the header could not be read again".to_string()),
        })
    }

    fn ask_mbr(source: &Source, table: &Table) -> Result<Answer> {
        let sector_size = u32::try_from(table.unit).unwrap_or(512);
        fence::run(source, BUDGET, move |mut reader| {
            let mbr = mbrman::MBR::read_from(&mut reader, sector_size).map_err(|error| error.to_string())?;
            let primaries = mbr.header.iter();
            // A link without a volume has no number.
            let logicals = mbr.logical_partitions.iter().map(|one| &one.partition).filter(|entry| entry.is_used());
            Ok(primaries
                .chain((5..).zip(logicals))
                .filter(|(_, entry)| entry.is_used())
                .map(|(number, entry)| {
                    let code = TypeCode::Mbr(entry.sys).to_string();
                    let number = crate::bytes::to_u64(number);
                    (number, u64::from(entry.starting_lba), u64::from(entry.sectors), code)
                })
                .collect())
        })
    }

    fn ask_gpt(source: &Source, table: &Table) -> Result<Answer> {
        let size = gpt::disk::LogicalBlockSize::try_from(table.unit).unwrap_or(gpt::disk::DEFAULT_SECTOR_SIZE);
        fence::run(source, BUDGET, move |reader| {
            let config = gpt::GptConfig::new().writable(false).logical_block_size(size);
            let disk = config.open_from_device(reader).map_err(|error| error.to_string())?;
            let used = disk.partitions().iter().filter(|(_, entry)| entry.is_used());
            used.map(|(number, entry)| {
                let count = entry.sectors_len().map_err(|error| error.to_string())?;
                let code = entry.part_type_guid.guid.as_hyphenated().to_string().to_uppercase();
                Ok((u64::from(*number), entry.first_lba, count, code))
            })
            .collect()
        })
    }

    #[cfg(test)]
    mod tests {
        use super::*;

        #[test]
        fn a_difference_names_the_partition_and_both_sides() {
            let row = |first| (2, first, 100, "07".to_string());
            assert_eq!(compare("other", &[row(5)], &[row(5)]), CrossCheck::Agrees);
            let CrossCheck::Differs(what) = compare("other", &[row(5)], &[row(6)]) else { panic!() };
            assert_eq!(what, "partition 2: 100 sectors from 5, type 07; `other` sees 100 sectors from 6, type 07");
            assert!(matches!(compare("other", &[], &[row(6)]), CrossCheck::Differs(_)));
            assert!(matches!(compare("other", &[row(6)], &[]), CrossCheck::Differs(_)));
        }
    }
}
