//! The listing as a table, printed row by row: there may be millions.

use super::paths::Paths;
use super::{Entry, Listing, Shown, is_deleted};
use crate::catalog::{Name, Object, ObjectKind};
use crate::cli::disk::Named;
use crate::cli::output::{self, Align, Column, Printer, Row};
use crate::cli::{escape, size};
use crate::error::Result;

impl Listing<'_> {
    pub(super) fn table(
        &self,
        named: &Named,
        recursive: bool,
        shown: &mut Shown,
        printer: &mut Printer<'_>,
    ) -> Result<()> {
        self.count_start(named, shown);
        // Rows are printed as they are made: there may be millions. So the columns are measured before.
        let mut columns = [
            Column::new("state", Align::Left),
            Column::new("size", Align::Right),
            Column::new("missing", Align::Right),
            Column::new("modified", Align::Left),
            Column::new("address", Align::Left),
            Column::new("name", Align::Left),
        ];
        self.walk(named, recursive, &mut |entry| {
            self.measure(entry, &mut columns);
            Ok(true)
        })?;
        printer.headings(&columns)?;
        let add = |text: &mut String, entry: Entry, paths: &mut Paths<'_>| {
            let mut row = Row::new(&columns, text);
            self.add_facts(&mut row, entry);
            row.cell(|text| self.add_name(text, entry, recursive, paths))?;
            row.end();
            Ok(())
        };
        self.print(named, recursive, shown, write_name, &add, printer)
    }

    fn add_name(&self, shown: &mut String, entry: Entry, whole_path: bool, paths: &mut Paths<'_>) -> Result<()> {
        let Entry { name, object: id, .. } = entry;
        let object = self.catalog.object(id);
        if whole_path || object.kind == ObjectKind::Stream {
            paths.onto(shown, entry);
        } else {
            write_name(shown, self.catalog.name(name));
        }
        match object.kind {
            ObjectKind::Folder => shown.push('/'),
            ObjectKind::Link => {
                let target = self.filesystem.link_target(self.catalog, id)?;
                let target = target.as_deref().map_or("an unknown place".into(), escape::for_terminal);
                shown.push_str(&format!("  (link to {target})"));
            }
            _ => {}
        }
        if let Some(item) = self.recycled.get(&name) {
            let deleted = item.deleted.as_deref().and_then(|text| text.parse::<jiff::Timestamp>().ok());
            let deleted = deleted.map_or("at an unknown time".to_string(), |time| {
                time.to_zoned_datetime(self.zone.clone()).strftime("%Y-%m-%d %H:%M").to_string()
            });
            shown.push_str(&format!("  (thrown away {deleted}, was {})", escape::for_terminal(&item.original_path)));
        }
        if is_deleted(object) {
            shown.push_str(&match self.claimed_bytes(id) {
                0 => "  (deleted)".to_string(),
                bytes => format!("  (deleted; {} of it are others' now)", size::human(bytes)),
            });
        }
        Ok(())
    }

    /// Makes room for what stands before the name. Nothing is written for that: a list is as long as the volume.
    fn measure(&self, entry: Entry, columns: &mut [Column]) {
        /// As in `2009-03-14 15:09`.
        const DATE: usize = 16;
        let object = self.catalog.object(entry.object);
        let missing = object.facts.gap_bytes.saturating_add(object.facts.never_here_bytes);
        let address = match object.kind {
            ObjectKind::Stream => {
                self.catalog.address(entry.object).map_or(0, |address| output::width(&escape::line(&address)))
            }
            _ => self.catalog.address_kind().word().len() + 1 + digits(object.locator),
        };
        let widths = [
            self.state(object).len(),
            if is_sized(object) { grouped_width(object.size) } else { 0 },
            if missing > 0 { grouped_width(missing) } else { 0 },
            if object.modified().is_some() { DATE } else { 0 },
            address,
        ];
        columns.iter_mut().zip(widths).for_each(|(column, width)| column.fit(width));
    }

    fn state(&self, object: &Object) -> &'static str {
        match object.kind {
            ObjectKind::Folder => object.completeness().word(),
            ObjectKind::File | ObjectKind::Stream => object.facts.state().word(),
            ObjectKind::Link => "link",
            ObjectKind::Other => "other",
        }
    }

    /// Adds what stands before the name.
    fn add_facts(&self, row: &mut Row<'_>, entry: Entry) {
        let object = self.catalog.object(entry.object);
        let missing = object.facts.gap_bytes.saturating_add(object.facts.never_here_bytes);
        let number = |text: &mut String, is_shown: bool, number: u64| {
            if is_shown {
                size::grouped_onto(text, number);
            }
        };
        row.cell(|text| text.push_str(self.state(object)));
        row.cell(|text| number(text, is_sized(object), object.size));
        row.cell(|text| number(text, missing > 0, missing));
        row.cell(|text| object.modified().into_iter().for_each(|time| time.display_onto(text, &self.zone)));
        row.cell(|text| self.catalog.address_onto(text, entry.object));
    }
}

fn is_sized(object: &Object) -> bool {
    matches!(object.kind, ObjectKind::File | ObjectKind::Stream)
}

/// How many digits a number has.
fn digits(number: u64) -> usize {
    number.checked_ilog10().map_or(1, |log| log as usize + 1)
}

/// The same with a comma after every third.
fn grouped_width(number: u64) -> usize {
    digits(number) + (digits(number) - 1) / 3
}

fn write_name(text: &mut String, name: Name<'_>) {
    match std::str::from_utf8(name.as_bytes()) {
        Ok(name) => text.push_str(&escape::for_terminal(name)),
        Err(_) => text.push_str(&escape::for_terminal_units(&name.units())),
    }
}
