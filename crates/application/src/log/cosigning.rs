//! Cosignatures: each signed head is shown to witnesses, who sign it if it leads on from what they saw.
//!
//! Nobody waits for a witness longer than two seconds; one that did not answer is asked again after a
//! while, and one whose signature has grown old too. Each is asked once before this process signs
//! anything. What stops the signing is proof: a head of ours, by our own signature, that is larger or another one. A
//! word without it is a warning with the witness's name, and that witness is left out for a while.

use std::collections::HashMap;
use std::sync::Mutex;
use std::time::Duration;

use sqlx::PgPool;
use thiserror::Error;
use time::OffsetDateTime;
use tokio::task::JoinSet;

use crate::log::reading;
use evidence_log::checkpoint::Checkpoint;
use evidence_log::note::{Note, SignatureLine, VerifierKey};
use evidence_log::policy::Witness;
use evidence_log::witness::{Question, SEEN, proved};
use storage::{Result, log};

/// How long one witness may take.
const PATIENCE: Duration = Duration::from_secs(2);
/// How old a cosignature may grow before the witness is asked again about the same head.
const OLD: time::Duration = time::Duration::minutes(20);
/// How long one that did not answer is left alone.
const LEFT_ALONE: time::Duration = time::Duration::seconds(30);
/// More than any signature line has.
const MOST_BYTES: u64 = 16 * 1024;
/// How often it is asked again with the size that it says it has seen.
const ATTEMPTS: usize = 2;

/// What is remembered of a witness; losing it costs a question more.
#[derive(Debug, Clone, Copy, Default)]
struct Memory {
    seen: u64,
    signed_at: Option<OffsetDateTime>,
    not_before: Option<OffsetDateTime>,
}

impl Memory {
    /// Whether the witness is to be asked about a head now.
    fn is_due(self, size: u64, now: OffsetDateTime) -> bool {
        let waits = self.not_before.is_some_and(|not_before| now < not_before);
        let fresh = self.seen == size && self.signed_at.is_some_and(|signed| now - signed < OLD);
        !waits && !fresh
    }
}

/// The witnesses of a log.
#[derive(Default)]
pub struct Witnesses {
    all: Vec<Witness>,
    memory: Mutex<HashMap<String, Memory>>,
    alarm: Mutex<Option<Alarm>>,
}

/// What a witness said.
#[derive(Debug, Error)]
enum WitnessFailure {
    #[error("{0}")]
    NoSignature(String),
    #[error("it says that it has seen size {0}, and does not show it")]
    Seen(u64),
    #[error("it shows a head of size {} that these keys have signed", .0.size)]
    Proved(Checkpoint),
}

/// A witness shows a head that our keys have signed, and that is not one of our log.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[error(
    "the witness {witness} shows a head of size {seen} that these keys have signed, the database has {size} and not that head"
)]
pub struct Alarm {
    /// The name of the witness.
    pub witness: String,
    /// What it has seen.
    pub seen: u64,
    /// What we have.
    pub size: u64,
}

impl Witnesses {
    /// Those of a policy that can be asked.
    #[must_use]
    pub fn new(all: &[Witness]) -> Self {
        let all = all.iter().filter(|witness| witness.address.is_some()).cloned().collect();
        Self { all, memory: Mutex::default(), alarm: Mutex::default() }
    }

    fn memory(&self, witness: &str) -> Option<Memory> {
        self.memory.lock().ok().and_then(|memory| memory.get(witness).copied())
    }

    /// Whether each was asked since this process began.
    #[must_use]
    pub fn all_asked(&self) -> bool {
        self.all.iter().all(|witness| self.memory(&witness.name).is_some())
    }

    /// What was raised, until this process ends.
    ///
    /// # Errors
    /// The alarm.
    pub fn quiet(&self) -> std::result::Result<(), Alarm> {
        match self.alarm.lock() {
            Ok(alarm) => alarm.clone().map_or(Ok(()), Err),
            Err(_) => Ok(()),
        }
    }

    /// Raises an alarm.
    pub fn raise(&self, alarm: Alarm) -> Alarm {
        if let Ok(mut raised) = self.alarm.lock() {
            *raised = Some(alarm.clone());
        }
        alarm
    }

    /// Forgets what they signed: it was not published.
    pub fn forget(&self) {
        if let Ok(mut memory) = self.memory.lock() {
            memory.values_mut().for_each(|memory| memory.signed_at = None);
        }
    }

    /// Whether somebody is to be asked about a head now.
    #[must_use]
    pub fn are_due(&self, size: u64, now: OffsetDateTime) -> bool {
        self.all.iter().any(|witness| self.memory(&witness.name).unwrap_or_default().is_due(size, now))
    }

    fn remember(&self, witness: &str, new: Memory) {
        if let Ok(mut memory) = self.memory.lock() {
            memory.insert(witness.to_owned(), new);
        }
    }

    /// The lines of those who are due and sign in time.
    ///
    /// # Errors
    /// An [`Alarm`], or when the database cannot be read.
    pub async fn ask(
        &self,
        pool: &PgPool,
        (head, keys): (&log::Head, &[VerifierKey]),
        now: OffsetDateTime,
    ) -> Result<std::result::Result<Vec<SignatureLine>, Alarm>> {
        let Ok(note) = head.note.parse::<Note>() else { return Ok(Ok(vec![])) };
        let mut asked = JoinSet::new();
        for witness in &self.all {
            let memory = self.memory(&witness.name).unwrap_or_default();
            if !memory.is_due(head.size, now) {
                continue;
            }
            let ours = (head.clone(), note.clone(), keys.to_vec());
            asked.spawn(ask_one(pool.clone(), ours, witness.clone(), memory.seen));
        }
        let mut lines = vec![];
        while let Some(done) = asked.join_next().await {
            let Ok(answer) = done else { continue };
            let (witness, said) = answer?;
            match said {
                Ok(line) => {
                    self.remember(
                        &witness,
                        Memory { seen: head.size, signed_at: Some(now), not_before: None },
                    );
                    lines.push(line);
                }
                Err(WitnessFailure::Proved(seen)) => {
                    return Ok(Err(Alarm { witness, seen: seen.size, size: head.size }));
                }
                Err(said) => {
                    tracing::warn!(witness, error = %said, "log.not_cosigned");
                    self.remember(
                        &witness,
                        Memory { not_before: Some(now + LEFT_ALONE), ..Memory::default() },
                    );
                }
            }
        }
        Ok(Ok(lines))
    }
}

type WitnessAnswer = (String, std::result::Result<SignatureLine, WitnessFailure>);

async fn ask_one(
    pool: PgPool,
    (head, note, keys): (log::Head, Note, Vec<VerifierKey>),
    witness: Witness,
    seen: u64,
) -> Result<WitnessAnswer> {
    let mut old = seen.min(head.size);
    let mut said = Err(WitnessFailure::NoSignature("it was not asked".to_owned()));
    for _ in 0..ATTEMPTS {
        let proof = if old == 0 || old == head.size {
            vec![]
        } else {
            reading::consistency(&mut *pool.acquire().await?, head.log, old, head.size).await?
        };
        let question = Question { old, proof, note: note.clone() };
        let (asked, known) = (witness.clone(), keys.clone());
        said = tokio::task::spawn_blocking(move || send(&asked, &question, &known))
            .await
            .unwrap_or_else(|error| Err(WitnessFailure::NoSignature(error.to_string())));
        // A head that ours leads on from proves nothing against us: it is a size like any other.
        if let Err(WitnessFailure::Proved(seen)) = &said
            && reading::leads_on(&mut *pool.acquire().await?, &head, seen).await?
        {
            said = Err(WitnessFailure::Seen(seen.size));
        }
        match said {
            Err(WitnessFailure::Seen(size)) if size <= head.size => old = size,
            _ => break,
        }
    }
    Ok((witness.name, said))
}

/// The head that a witness has seen of a log, signed by one of its keys, where it does not sign the head of the note.
/// It is asked as if it had seen that very head, so that it takes in nothing new.
#[must_use]
pub fn seen_by(witness: &Witness, note: &Note, size: u64, keys: &[VerifierKey]) -> Option<Checkpoint> {
    let question = Question { old: size, proof: vec![], note: note.clone() };
    match send(witness, &question, keys) {
        Err(WitnessFailure::Proved(seen)) => Some(seen),
        Err(WitnessFailure::Seen(_) | WitnessFailure::NoSignature(_)) | Ok(_) => None,
    }
}

fn send(
    witness: &Witness,
    question: &Question,
    keys: &[VerifierKey],
) -> std::result::Result<SignatureLine, WitnessFailure> {
    let nothing = |error: &dyn std::fmt::Display| WitnessFailure::NoSignature(error.to_string());
    let address = witness.address.as_deref().unwrap_or_default().trim_end_matches('/');
    let config = ureq::Agent::config_builder()
        .timeout_global(Some(PATIENCE))
        .http_status_as_error(false)
        .max_redirects(0)
        .build();
    let mut answer = ureq::Agent::from(config)
        .post(format!("{address}/add-checkpoint"))
        .send(question.to_string())
        .map_err(|error| nothing(&error))?;
    let seen = answer.headers().get(SEEN).and_then(|header| proved(header.to_str().ok()?, keys));
    let text = answer.body_mut().with_config().limit(MOST_BYTES).read_to_string();
    let text = text.map_err(|error| nothing(&error))?;
    let status = answer.status().as_u16();
    if let Some(seen) = seen.filter(|_| [409, 422].contains(&status)) {
        return Err(WitnessFailure::Proved(seen));
    }
    match status {
        200 => signed(witness, question, &text).ok_or_else(|| nothing(&"its signature is not good")),
        422 => Err(nothing(&"it says that this is another log than it knows, and does not show it")),
        409 => match text.trim_end().parse() {
            Ok(size) => Err(WitnessFailure::Seen(size)),
            Err(_) => Err(nothing(&"it has seen another size and does not say which")),
        },
        status => Err(nothing(&format!("status {status}"))),
    }
}

/// Its line, if it is one of this witness under this checkpoint.
fn signed(witness: &Witness, question: &Question, text: &str) -> Option<SignatureLine> {
    // Every line is read: a witness may sign with keys of other kinds as well.
    text.lines().filter_map(|line| line.parse::<SignatureLine>().ok()).find(|line| {
        let mut note = Note::unsigned(question.note.text().to_owned());
        note.add(line.clone());
        note.verify(std::slice::from_ref(&witness.key)).is_ok()
    })
}

/// A signed head with the lines that came in.
#[must_use]
pub fn cosigned(note: &str, lines: Vec<SignatureLine>) -> String {
    match note.parse::<Note>() {
        Ok(mut note) => {
            for line in lines {
                note.add(line);
            }
            note.to_string()
        }
        Err(_) => note.to_owned(),
    }
}
