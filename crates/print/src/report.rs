//! A report of tables on as many A4 pages as it takes.

use crate::error::PrintError;
use crate::paper::{At, Drawing, Look, bold, pages, plain};

const A4: (f32, f32) = (210.0, 297.0);
const LEFT: f32 = 15.0;
const WIDTH: f32 = 180.0;
/// Below this no further line begins: the highest row has room, and the foot.
const LAST: f32 = 262.0;

/// A table with its heading.
pub struct Table {
    /// What it is about.
    pub heading: String,
    /// Names and widths of its columns, in parts of the whole.
    pub columns: Vec<(&'static str, f32)>,
    /// Its rows, a text for each column.
    pub rows: Vec<Vec<String>>,
    /// What is written where there is no row.
    pub empty: &'static str,
}

/// A report.
pub struct Report {
    /// Its title.
    pub title: &'static str,
    /// Lines below the title: a name and what it is.
    pub about: Vec<(&'static str, String)>,
    /// Its tables.
    pub tables: Vec<Table>,
    /// What is said at the end.
    pub notes: Vec<String>,
    /// At the foot of every page.
    pub foot: String,
}

/// What is set one below the other.
enum Block<'a> {
    Title(&'a str),
    About(&'a str, &'a str),
    Heading(&'a Table),
    Row(&'a Table, &'a [String]),
    Empty(&'a str),
    Note(&'a str),
}

fn blocks(report: &Report) -> Vec<Block<'_>> {
    let mut all = vec![Block::Title(report.title)];
    all.extend(report.about.iter().map(|(name, text)| Block::About(name, text)));
    for table in &report.tables {
        all.push(Block::Heading(table));
        all.extend(table.rows.iter().map(|row| Block::Row(table, row)));
        if table.rows.is_empty() {
            all.push(Block::Empty(table.empty));
        }
    }
    all.extend(report.notes.iter().map(|note| Block::Note(note)));
    all
}

/// A report as PDF.
///
/// # Errors
/// When it cannot be made.
pub fn report_pdf(report: &Report) -> Result<Vec<u8>, PrintError> {
    let all = blocks(report);
    let (mut next, mut number) = (0, 0);
    pages(report.title, A4, |drawing| {
        number += 1;
        let mut y = 15.0;
        // A table that goes on over the page shows its columns again.
        if let Some(Block::Row(table, _)) = all.get(next) {
            y += columns(drawing, table, y);
        }
        while let Some(block) = all.get(next) {
            let needs = if matches!(block, Block::Heading(_)) { 20.0 } else { 0.0 };
            if y + needs > LAST {
                break;
            }
            y += set(drawing, block, y);
            next += 1;
        }
        let foot = format!("{}    page {number}", report.foot);
        drawing.text(At { x: LEFT, y: 285.0, width: WIDTH }, grey(7.5), &foot);
        next < all.len()
    })
}

fn grey(size: f32) -> Look {
    Look { grey: 90, ..plain(size) }
}

fn set(drawing: &mut Drawing<'_, '_>, block: &Block<'_>, y: f32) -> f32 {
    let whole = |y| At { x: LEFT, y, width: WIDTH };
    match block {
        Block::Title(text) => drawing.text(whole(y), bold(15.0), text) + 3.0,
        Block::About(name, text) => {
            drawing.text(whole(y), grey(8.5), name);
            drawing.text(At { x: LEFT + 38.0, y, width: WIDTH - 38.0 }, plain(9.5), text) + 0.8
        }
        Block::Heading(table) => {
            let heading = drawing.text(whole(y + 5.0), bold(10.5), &table.heading) + 6.5;
            heading + if table.rows.is_empty() { 0.0 } else { columns(drawing, table, y + heading) }
        }
        Block::Row(table, row) => cells(drawing, table, y, plain(8.5), row) + 1.0,
        Block::Empty(text) => drawing.text(whole(y), plain(9.0), text) + 1.0,
        Block::Note(text) => drawing.text(whole(y + 4.0), grey(8.0), text) + 4.5,
    }
}

/// The names of the columns, with a line below them.
fn columns(drawing: &mut Drawing<'_, '_>, table: &Table, y: f32) -> f32 {
    let names: Vec<String> = table.columns.iter().map(|(name, _)| (*name).to_owned()).collect();
    let height = cells(drawing, table, y, grey(7.5), &names);
    drawing.fill((LEFT, y + height + 0.4), (WIDTH, 0.2), 150);
    height + 1.4
}

fn cells(drawing: &mut Drawing<'_, '_>, table: &Table, y: f32, look: Look, texts: &[String]) -> f32 {
    let parts: f32 = table.columns.iter().map(|(_, part)| part).sum();
    let (mut x, mut highest) = (LEFT, 0.0_f32);
    for ((_, part), text) in table.columns.iter().zip(texts) {
        let width = WIDTH * part / parts;
        highest = highest.max(drawing.text(At { x, y, width: width - 2.0 }, look, text));
        x += width;
    }
    highest
}
