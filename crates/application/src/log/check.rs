//! Comparing the register with the log: every entry with what belongs to it, and every row with what the last entry
//! says of it.

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use serde_json::Value;
use sqlx::PgConnection;
use time::OffsetDateTime;
use time::format_description::well_known::Rfc3339;
use uuid::Uuid;

use crate::{ActError, App};
use domain::copies::decision::RecordedStep;
use domain::disclosures::{commitment, read};
use domain::entry::ReadEntry;
use domain::ids::{EntryId, RegistrationId};
use domain::standing::{Difference, DifferenceKind, SaidRow, Standing};
use evidence_log::hash::Hash;
use evidence_log::tile::{Content, Frontier, Tile, TilePath, WIDTH};
use storage::log::check as stored;
use storage::log::check::{EntryWithRows, LogThen};

/// How many entries or registrations are read at once.
const BATCH: i64 = 512;
/// The most differences that are named; more are counted.
const MOST_NAMED: usize = 1000;

/// What was compared, and what was found.
#[derive(Debug, Default)]
pub struct Checked {
    /// How many entries.
    pub entries: u64,
    /// How many registrations.
    pub registrations: u64,
    /// How many differences there are.
    pub count: u64,
    /// The first of them.
    pub differences: Vec<Difference>,
    /// Something of the log itself is gone or changed.
    pub damaged: bool,
}

impl Checked {
    fn add(&mut self, found: impl IntoIterator<Item = Difference>) {
        for difference in found {
            self.count += 1;
            self.damaged |= LOG_ITSELF.contains(&difference.of.as_str());
            if self.differences.len() < MOST_NAMED {
                self.differences.push(difference);
            }
        }
    }
}

/// What the entries say how often it happened, beside the rows.
#[derive(Default)]
struct Counts {
    erased: u64,
    recovered: u64,
}

/// Compares everything. Between two portions it rests, where it works beside others.
///
/// # Errors
/// When the database cannot be read.
pub async fn whole(app: &App, rest: Duration) -> Result<Checked, ActError> {
    let mut checked = Checked::default();
    let mut counts = Counts::default();
    let logs = stored::logs(&mut *app.pool.acquire().await?).await?;
    for log in &logs {
        entries_of(app, log, rest, (&mut checked, &mut counts)).await?;
    }
    // What came since, what waits, and what was counted: as they were at one instant.
    let mut tx = storage::begin(&app.pool).await?;
    stored::see_one_state(&mut tx).await?;
    let now = stored::logs(&mut tx).await?;
    for log in &logs {
        let size = now.iter().find(|now| now.number == log.number).map_or(0, |now| now.size);
        for entry in stored::entries(&mut tx, log.number, log.size, i64::MAX).await? {
            look_at(&entry, &mut checked, &mut counts);
            if entry.index.is_none_or(|index| index >= size) {
                let (id, registration) = (entry.id, entry.registration);
                checked.add([of_entry("log_leaves", DifferenceKind::Unknown, id, registration, &[])]);
            }
        }
    }
    for entry in stored::waiting(&mut tx).await? {
        look_at(&entry, &mut checked, &mut counts);
    }
    let lost = stored::lost(&mut tx).await?;
    checked.add(lost.into_iter().map(|id| of_entry("log_pending", DifferenceKind::Gone, id, None, &[])));
    let (erased, recovered) = stored::counts(&mut tx).await?;
    tx.commit().await?;
    for (of, same) in
        [("erased_disclosures", counts.erased == erased), ("log_recovered", counts.recovered == recovered)]
    {
        if !same {
            let id = EntryId(Uuid::nil());
            checked.add([of_entry(of, DifferenceKind::Changed, id, None, &["count"])]);
        }
    }
    registrations(app, rest, &mut checked).await?;
    Ok(checked)
}

/// Looks at the entries of a log, at the leaf of each, and at the tree over them.
async fn entries_of(
    app: &App,
    then: &LogThen,
    rest: Duration,
    (checked, counts): (&mut Checked, &mut Counts),
) -> Result<(), ActError> {
    let (log, size) = (then.number, then.size);
    let mut tree = TreeLook { log, tree: Frontier::default(), unfinished: BTreeMap::new() };
    let mut next = 0;
    while next < size {
        let mut db = app.pool.acquire().await?;
        let found = stored::entries(&mut db, log, next, BATCH).await?;
        let end = size.min(next + BATCH.unsigned_abs());
        let width = u64::from(WIDTH);
        let wanted: Vec<(u8, u64)> = (next / width..end.div_ceil(width)).map(|tile| (0, tile)).collect();
        let tiles = storage::log::tiles(&mut db, log, &wanted).await?;
        let leaf = |index: u64| -> Option<Hash> {
            let tile = tiles.iter().find(|tile| tile.index == index / width)?;
            tile.hashes.get(usize::try_from(index % width).ok()?).copied()
        };
        let mut leaves = vec![];
        let mut there = found.iter().peekable();
        for index in next..end {
            let entry = there.next_if(|entry| entry.index == Some(index));
            let hash = entry.map(|entry| Hash::leaf(&entry.body));
            match (entry, leaf(index)) {
                (None, _) => checked.add([of_log("log_leaves", DifferenceKind::Gone, log, index)]),
                // Once for all the hashes that are gone.
                (_, None) if index == next || index % width == 0 || leaf(index - 1).is_some() => {
                    checked.add([of_log("log_tiles", DifferenceKind::Gone, log, index)]);
                }
                (_, None) => {}
                (Some(entry), leaf) if leaf != hash => {
                    let (id, registration) = (entry.id, entry.registration);
                    checked.add([of_entry(
                        "log_entries",
                        DifferenceKind::Changed,
                        id,
                        registration,
                        &["body"],
                    )]);
                }
                _ => {}
            }
            leaves.push(leaf(index).or(hash).unwrap_or(Hash::EMPTY));
            if let Some(entry) = entry {
                look_at(entry, checked, counts);
            }
        }
        tree.grow(&mut db, leaves, checked).await?;
        next = end;
        drop(db);
        tokio::time::sleep(rest).await;
    }
    tree.end(&mut *app.pool.acquire().await?, &then.root, checked).await
}

/// The tree as its leaves make it, against what is stored above them.
struct TreeLook {
    log: i16,
    tree: Frontier,
    unfinished: BTreeMap<(u8, u64), Tile>,
}

impl TreeLook {
    async fn grow(
        &mut self,
        db: &mut PgConnection,
        leaves: Vec<Hash>,
        checked: &mut Checked,
    ) -> Result<(), ActError> {
        for tile in self.tree.extend(leaves) {
            if tile.hashes.len() < usize::from(WIDTH) {
                self.unfinished.insert((tile.level, tile.index), tile);
            } else {
                self.unfinished.remove(&(tile.level, tile.index));
                self.compare(db, &tile, checked).await?;
            }
        }
        Ok(())
    }

    async fn end(self, db: &mut PgConnection, root: &[u8], checked: &mut Checked) -> Result<(), ActError> {
        for tile in self.unfinished.values() {
            self.compare(db, tile, checked).await?;
        }
        if root != &self.tree.root().0[..] {
            checked.add([of_log("logs", DifferenceKind::Changed, self.log, self.tree.size())]);
        }
        Ok(())
    }

    /// Those of level 0 are looked at leaf by leaf.
    async fn compare(
        &self,
        db: &mut PgConnection,
        tile: &Tile,
        checked: &mut Checked,
    ) -> Result<(), ActError> {
        if tile.level == 0 {
            return Ok(());
        }
        let found = storage::log::tiles(db, self.log, &[(tile.level, tile.index)]).await?;
        let kind = match found.first() {
            None => DifferenceKind::Gone,
            // The log may have grown since: hashes are only added to a tile.
            Some(stored) if !stored.hashes.starts_with(&tile.hashes) => DifferenceKind::Changed,
            Some(_) => return Ok(()),
        };
        let path = TilePath::at_size(Content::Hashes(tile.level), tile.index, self.tree.size());
        let name = path.map_or_else(String::new, |path| path.to_string());
        checked.add([Difference { columns: vec![name], ..of_log("log_tiles", kind, self.log, tile.index) }]);
        Ok(())
    }
}

/// A difference of the log itself, at an index.
fn of_log(of: &str, kind: DifferenceKind, log: i16, index: u64) -> Difference {
    let columns = vec![format!("log {log}, index {index}")];
    Difference { kind, of: of.to_owned(), id: Uuid::nil(), registration_id: None, entry_id: None, columns }
}

fn of_entry(
    of: &str,
    kind: DifferenceKind,
    id: EntryId,
    registration_id: Option<RegistrationId>,
    columns: &[&str],
) -> Difference {
    let columns = columns.iter().map(|column| (*column).to_owned()).collect();
    Difference { kind, of: of.to_owned(), id: id.0, registration_id, entry_id: Some(id), columns }
}

/// Compares an entry with the row that it is of and with what shows its fields.
fn look_at(entry: &EntryWithRows, checked: &mut Checked, counts: &mut Counts) {
    checked.entries += 1;
    let mut add = |of: &str, kind, columns: &[&str]| {
        checked.add([of_entry(of, kind, entry.id, entry.registration, columns)]);
    };
    let Ok(said) = ReadEntry::parse(&entry.body) else {
        add("log_entries", DifferenceKind::Changed, &["body"]);
        return;
    };
    if said.entry != entry.id {
        add("log_entries", DifferenceKind::Changed, &["id"]);
    }
    if said.registration != entry.registration {
        add("log_entries", DifferenceKind::Changed, &["registration_id"]);
    }
    let table = if said.outcome.is_some() { "decisions" } else { "changes" };
    match &entry.row {
        Some(row) => {
            let by = entry.disclosures.iter().find(|(name, _)| name == "by").and_then(|(_, text)| read(text));
            let columns = differing(&said, by.map(|(_, by)| by).as_ref(), row);
            if !columns.is_empty() {
                add(table, DifferenceKind::Changed, &columns);
            }
        }
        None if entry.recovered => {}
        None => add(table, DifferenceKind::Gone, &[]),
    }
    let shown: BTreeSet<String> = entry.disclosures.iter().map(|(_, text)| commitment(text)).collect();
    let renamed = |(name, text): &(String, String)| read(text).is_none_or(|(shown, _)| shown != *name);
    if !shown.is_subset(&said.commitments) || entry.disclosures.iter().any(renamed) {
        add("disclosures", DifferenceKind::Changed, &[]);
    }
    let erased: BTreeSet<&String> = entry.erased.iter().collect();
    let unshown = |one: &&String| !shown.contains(*one) && !erased.contains(*one);
    if !entry.recovered && said.commitments.iter().any(|one| unshown(&one)) {
        add("disclosures", DifferenceKind::Gone, &[]);
    }
    // What was erased or came back in an hour that a backup lost is not counted: the rows are lost with it.
    match said.what.as_str() {
        _ if entry.recovered => {}
        "person.erased" => counts.erased += said.count,
        "log.recovered" => counts.recovered += said.count,
        _ => {}
    }
}

/// The columns of a decision or change that are not as its entry says.
fn differing(said: &ReadEntry, by: Option<&Value>, row: &Value) -> Vec<&'static str> {
    let text = |column: &str| row.get(column).and_then(Value::as_str);
    let id = |column: &str| text(column).and_then(|text| text.parse::<Uuid>().ok());
    let at = text("at").and_then(|at| OffsetDateTime::parse(at, &Rfc3339).ok());
    let mut found = vec![];
    let mut compare = |column: &'static str, same: bool| {
        if !same {
            found.push(column);
        }
    };
    compare("by_actor", by.is_none_or(|by| row.get("by_actor") == Some(by)));
    compare("at", at == Some(said.at));
    compare("registration_id", id("registration_id").map(RegistrationId) == said.registration);
    if let Some(outcome) = &said.outcome {
        let step = text("step").and_then(|step| step.parse::<RecordedStep>().ok());
        let reasons = row.get("reasons").and_then(Value::as_array).into_iter().flatten();
        let mut codes: Vec<&str> =
            reasons.filter_map(|reason| reason.get("code").and_then(Value::as_str)).collect();
        codes.dedup();
        compare("step", step.map(RecordedStep::entry) == Some(said.what.as_str()));
        compare("request_id", id("request_id") == Some(said.subject));
        compare("outcome", text("outcome") == Some(outcome.as_str()));
        compare("reasons", codes == said.reasons);
        compare(
            "rules_version",
            row.get("rules_version").and_then(Value::as_i64) == said.rules_version.map(i64::from),
        );
    } else {
        compare("kind", text("kind") == Some(said.what.as_str()));
        compare("subject_id", id("subject_id") == Some(said.subject));
    }
    found
}

/// Compares the rows of every registration, and those that belong to none.
async fn registrations(app: &App, rest: Duration, checked: &mut Checked) -> Result<(), ActError> {
    checked.add(differences(app, None).await?);
    let mut last = Uuid::nil();
    loop {
        let found = stored::registrations(&mut *app.pool.acquire().await?, last, BATCH).await?;
        let Some(newest) = found.last() else { break };
        last = newest.0;
        for registration in found {
            checked.registrations += 1;
            checked.add(differences(app, Some(registration)).await?);
            tokio::time::sleep(rest).await;
        }
    }
    let unknown = stored::unknown_registrations(&mut *app.pool.acquire().await?).await?;
    for registration in unknown {
        checked.add(differences(app, Some(registration)).await?);
    }
    Ok(())
}

/// Where the rows of a registration, or those that belong to none, are not as the entries say.
async fn differences(app: &App, registration: Option<RegistrationId>) -> Result<Vec<Difference>, ActError> {
    let mut tx = storage::begin(&app.pool).await?;
    stored::see_one_state(&mut tx).await?;
    let (found, _) = differences_now(&mut tx, registration).await?;
    tx.commit().await?;
    Ok(found)
}

/// The same as a transaction sees it, with the rows that it sees.
pub(crate) async fn differences_now(
    db: &mut PgConnection,
    registration: Option<RegistrationId>,
) -> Result<(Vec<Difference>, Vec<SaidRow>), ActError> {
    let mut standing = Standing::default();
    for entry in stored::saying(db, registration).await? {
        // One that cannot be read is found where the entries are looked at.
        let Ok(said) = ReadEntry::parse(&entry.body) else { continue };
        standing.take_in(entry.id, said.said_rows(), &said.commitments, &entry.disclosures);
    }
    let rows = stored::rows(db, registration).await?;
    Ok((standing.differences(&rows), rows))
}

/// Compares everything once a day, until the process ends; what differs is an alarm, and stays one until the next time.
/// While the log itself is damaged it is soon looked at again, since nothing is signed meanwhile.
pub async fn run(app: App, first: Duration, every: Duration) {
    let mut wait = first;
    loop {
        tokio::time::sleep(wait).await;
        wait = every;
        match whole(&app, Duration::from_millis(5)).await {
            Ok(checked) => {
                tell(&app, &checked);
                if checked.damaged {
                    wait = first;
                }
            }
            Err(error) => tracing::error!(error = %error, "log.not_checked"),
        }
    }
}

/// Differences of these are of the log itself: nothing is signed over them.
const LOG_ITSELF: &[&str] = &["log_entries", "log_leaves", "log_pending", "log_tiles", "logs"];

fn tell(app: &App, checked: &Checked) {
    let count = i64::try_from(checked.count).unwrap_or(i64::MAX);
    app.log.metrics.differences.set(count);
    app.log.found(checked.damaged);
    for difference in checked.differences.iter().take(20) {
        tracing::error!(
            kind = %difference.kind,
            of = difference.of,
            row.id = %difference.id,
            columns = difference.columns.join(" "),
            "log.differs"
        );
    }
    tracing::info!(
        entries = checked.entries,
        registrations = checked.registrations,
        differences = checked.count,
        "log.checked"
    );
}
