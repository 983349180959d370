//! Sequences of acts that nobody thought of, on the decision alone: a small model of a registration
//! is moved by random acts, and an oracle that knows nothing of the rules' code watches.

use proptest::prelude::*;
use time::macros::{date, datetime};
use time::{Date, Duration, OffsetDateTime};
use uuid::Uuid;

use domain::calendar::Period;
use domain::copies::decision::decide;
use domain::copies::decision::facts::*;
use domain::copies::{RequestProgress, RequestState};
use domain::ids::PersonId;
use domain::register::rules::{Limit, Rules};
use domain::rights::authorities::AuthorityClass;

const CAP: u32 = 5;
const PEOPLE: usize = 4;

#[derive(Debug, Clone)]
enum Move {
    Grant { person: usize, class: usize, days: i64 },
    Revoke { person: usize },
    Ask { asker: usize, recipient: usize, quantity: u32 },
    Approve { request: usize, approver: usize },
    Cut { request: usize, quantity: u32 },
    Lose { keys: u32 },
    Destroy { keys: u32 },
    Pass { days: i64 },
}

fn step() -> impl Strategy<Value = Move> {
    prop_oneof![
        2 => (0..PEOPLE, 0..4usize, 0..90i64).prop_map(|(person, class, days)| Move::Grant { person, class, days }),
        1 => (0..PEOPLE).prop_map(|person| Move::Revoke { person }),
        4 => (0..PEOPLE, 0..PEOPLE, 1..4u32)
            .prop_map(|(asker, recipient, quantity)| Move::Ask { asker, recipient, quantity }),
        4 => (0..12usize, 0..PEOPLE).prop_map(|(request, approver)| Move::Approve { request, approver }),
        4 => (0..12usize, 1..3u32).prop_map(|(request, quantity)| Move::Cut { request, quantity }),
        1 => (1..3u32).prop_map(|keys| Move::Lose { keys }),
        1 => (1..3u32).prop_map(|keys| Move::Destroy { keys }),
        1 => (1..40i64).prop_map(|days| Move::Pass { days }),
    ]
}

struct Request {
    asker: usize,
    recipient: usize,
    asked_at: OffsetDateTime,
    approvals: Vec<usize>,
    progress: RequestProgress,
}

struct Model {
    now: OffsetDateTime,
    rules: Rules,
    authorities: Vec<Vec<AuthorityFacts>>,
    requests: Vec<Request>,
    existing: u32,
    missing: u32,
}

impl Model {
    fn new() -> Self {
        let limits = vec![Limit { cap: Some(CAP), ..Limit::default() }];
        Self {
            now: datetime!(2026-11-02 09:00 UTC),
            rules: Rules { limits, unaccounted_blocks: false, ..Rules::default() },
            authorities: vec![vec![]; PEOPLE],
            requests: vec![],
            existing: 0,
            missing: 0,
        }
    }

    fn person(&self, who: usize) -> PersonFacts {
        PersonFacts {
            id: PersonId(Uuid::from_u128(who as u128 + 1)),
            authorities: self.authorities[who].clone(),
        }
    }

    fn open_but(&self, request: Option<usize>) -> u32 {
        let others = self.requests.iter().enumerate().filter(|(at, _)| Some(*at) != request);
        others
            .filter(|(_, other)| other.progress.state == RequestState::Authorised)
            .map(|(_, other)| other.progress.left_to_cut())
            .sum()
    }

    fn facts(&self, step: Step, asker: usize, recipient: usize, request: Option<usize>) -> Facts {
        let keys = KeyFacts {
            existing: self.existing,
            missing: self.missing,
            open_elsewhere: self.open_but(request),
            ..KeyFacts::default()
        };
        Facts {
            asker: self.person(asker),
            recipient: self.person(recipient),
            keys,
            ..Facts::at(step, self.now)
        }
    }

    fn facts_of(&self, step: Step, at: usize) -> Facts {
        let request = &self.requests[at];
        let mut facts = self.facts(step, request.asker, request.recipient, Some(at));
        facts.request.quantity = request.progress.quantity;
        facts.request.asked_at = request.asked_at;
        facts.approvals = request
            .approvals
            .iter()
            .map(|who| ApprovalFacts { person: self.person(*who), emergency: false })
            .collect();
        facts.authorisation = request.progress.authorisation.map(|given| AuthorisationFacts {
            lapses_at: given.lapses_at,
            left: request.progress.left_to_cut(),
        });
        facts
    }

    /// The oracle: counted by hand, from the authorities as they were given and taken.
    fn has_authority(&self, who: usize) -> bool {
        let today: Date = self.now.date();
        self.authorities[who].iter().any(|held| {
            !held.revoked
                && held.period.first_day <= today
                && held.period.last_day.is_none_or(|last| today <= last)
        })
    }

    fn take(&mut self, step: &Move) -> Result<(), TestCaseError> {
        match *step {
            Move::Grant { person, class, days } => {
                let class = AuthorityClass::ALL[class];
                let first_day = self.now.date();
                self.authorities[person].push(AuthorityFacts {
                    class,
                    post: None,
                    standing: None,
                    covers: true,
                    may_order: true,
                    may_approve: class != AuthorityClass::Keyholder,
                    occupier: false,
                    most_per_request: None,
                    most_keys: None,
                    period: Period { first_day, last_day: Some(first_day + Duration::days(days)) },
                    revoked: false,
                });
            }
            Move::Revoke { person } => {
                self.authorities[person].iter_mut().for_each(|held| held.revoked = true);
            }
            Move::Ask { asker, recipient, quantity } => {
                let mut facts = self.facts(Step::Ask, asker, recipient, None);
                facts.request.quantity = quantity;
                let decision = decide(&facts, &self.rules);
                let progress =
                    RequestProgress::asked(quantity, decision.outcome, self.now, &self.rules.lapse);
                if decision.is_permitted() {
                    self.watch(asker, recipient)?;
                }
                self.requests.push(Request {
                    asker,
                    recipient,
                    asked_at: self.now,
                    approvals: vec![],
                    progress,
                });
            }
            Move::Approve { request, approver } => self.approve(request, approver)?,
            Move::Cut { request, quantity } => self.cut(request, quantity)?,
            Move::Lose { keys } => {
                let lost = keys.min(self.existing);
                self.existing -= lost;
                self.missing += lost;
            }
            Move::Destroy { keys } => self.existing -= keys.min(self.existing),
            Move::Pass { days } => self.now += Duration::days(days),
        }
        prop_assert!(
            self.existing + self.missing + self.open_but(None) <= CAP,
            "{} keys, {} missing, {} open",
            self.existing,
            self.missing,
            self.open_but(None)
        );
        Ok(())
    }

    fn approve(&mut self, at: usize, approver: usize) -> Result<(), TestCaseError> {
        if at >= self.requests.len() || self.requests[at].progress.state != RequestState::Waiting {
            return Ok(());
        }
        let mut facts = self.facts_of(Step::Approve, at);
        facts.approver = Some(ApprovalFacts { person: self.person(approver), emergency: false });
        let decision = decide(&facts, &self.rules);
        let after = self.requests[at].progress.approved(decision.outcome, self.now, &self.rules.lapse);
        if decision.is_permitted() {
            let request = &self.requests[at];
            self.watch(request.asker, request.recipient)?;
            prop_assert!(approver != request.asker && approver != request.recipient, "approved his own");
            prop_assert!(self.has_authority(approver), "approved without an authority");
        }
        if decision.outcome != domain::copies::decision::Outcome::Refused {
            self.requests[at].approvals.push(approver);
        }
        self.requests[at].progress = after.unwrap();
        Ok(())
    }

    fn cut(&mut self, at: usize, quantity: u32) -> Result<(), TestCaseError> {
        if at >= self.requests.len() || self.requests[at].progress.ready_to_cut().is_err() {
            return Ok(());
        }
        let mut facts = self.facts_of(Step::Cut, at);
        facts.step_quantity = quantity;
        if decide(&facts, &self.rules).is_permitted() {
            let request = &self.requests[at];
            self.watch(request.asker, request.recipient)?;
            let given = request.progress.authorisation.unwrap();
            prop_assert!(self.now < given.lapses_at, "cut after it lapsed");
            let after = request.progress.cut(quantity).unwrap();
            prop_assert!(after.cut <= after.quantity, "cut more than authorised");
            self.requests[at].progress = after;
            self.existing += quantity;
        }
        Ok(())
    }

    fn watch(&self, asker: usize, recipient: usize) -> Result<(), TestCaseError> {
        prop_assert!(self.has_authority(asker), "permitted for an asker without an authority");
        prop_assert!(self.has_authority(recipient), "permitted for a recipient without an authority");
        Ok(())
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 2_000, ..ProptestConfig::default() })]

    #[test]
    fn no_sequence_of_acts_permits_a_copy_without_authority_or_beyond_the_cap(
        steps in proptest::collection::vec(step(), 1..60)
    ) {
        let mut model = Model::new();
        for step in &steps {
            model.take(step)?;
        }
    }
}

/// The sequences above would prove nothing if they never came to a cut.
#[test]
fn the_sequences_reach_cuts_and_refusals() {
    let mut model = Model::new();
    let until = date!(2026 - 12 - 31);
    for step in [
        Move::Grant { person: 0, class: 0, days: (until - model.now.date()).whole_days() },
        Move::Ask { asker: 0, recipient: 0, quantity: 3 },
        Move::Cut { request: 0, quantity: 2 },
        Move::Ask { asker: 0, recipient: 0, quantity: 3 },
        Move::Ask { asker: 1, recipient: 1, quantity: 1 },
    ] {
        model.take(&step).unwrap();
    }
    assert_eq!(model.existing, 2);
    assert_eq!(model.requests[1].progress.state, RequestState::Refused);
    assert_eq!(model.requests[2].progress.state, RequestState::Refused);
}
