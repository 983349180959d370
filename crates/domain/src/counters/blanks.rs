//! The account of blanks of one section at one counter.
//!
//! ```text
//! received = cut + spoiled + returned + missing + on hand        (I4; nothing is ever negative)
//! ```
//!
//! Blanks are received once the counter has acknowledged them; until then they are on the way. What is
//! on hand is what the book says: a count that finds another number leaves a difference, which stays
//! open until the supplier has explained it, and the explanation moves the book where it has to.

use thiserror::Error;
use time::OffsetDateTime;

use crate::ids::{ActorId, BlankDifferenceId, BlankMovementId, CopyRequestId, CounterId, CutId, SectionId};

words! {
    /// What moves blanks, or counts them.
    pub enum MovementKind {
        /// Sent by the supplier, acknowledged by the counter.
        Consignment = "consignment",
        /// Spoiled at the counter, confirmed by a witness.
        Spoil = "spoil",
        /// Sent back by the counter, acknowledged by the supplier.
        Return = "return",
        /// Counted at the counter.
        Count = "count",
    }
}

words! {
    /// What the supplier found to be behind a difference.
    pub enum Explanation {
        /// The count was wrong, and the book right.
        Miscounted = "miscounted",
        /// Blanks were spoiled and not recorded.
        Spoiled = "spoiled",
        /// Blanks were sent back and not recorded.
        Returned = "returned",
        /// Blanks are gone.
        Missing = "missing",
        /// Blanks are there that the book did not have.
        Found = "found",
        /// Blanks are in the book twice: cut before they were acknowledged.
        BookedTwice = "booked_twice",
        /// Something else that moves no blanks, said in the remark.
        Other = "other",
    }
}

record! {
    /// Blanks of a section at a counter: received = cut + spoiled + returned + missing + on hand.
    pub struct BlankAccount {
        /// The counter that has the blanks.
        counter_id: CounterId,
        /// The key section that it belongs to.
        section_id: SectionId,
        /// Sent by the supplier and acknowledged.
        received: u32,
        /// Cut into keys.
        cut: u32,
        /// Spoiled.
        spoiled: u32,
        /// Sent back.
        returned: u32,
        /// Gone, and explained so by the supplier.
        missing: u32,
        /// There now, by the book.
        on_hand: u32,
        /// Sent by the supplier and not acknowledged yet.
        on_the_way: u32,
        /// The most on hand and on the way together.
        most_blanks: Option<u32>,
    }

    /// What moved blanks, or counted them.
    pub struct BlankMovement {
        /// Its id.
        id: BlankMovementId,
        /// The counter.
        counter_id: CounterId,
        /// The key section that it belongs to.
        section_id: SectionId,
        /// What it was.
        kind: MovementKind,
        /// The number of blanks.
        quantity: u32,
        /// The copy that was being cut when a blank was spoiled.
        copy_request_id: Option<CopyRequestId>,
        /// What there was to say.
        remark: Option<String>,
        /// Who recorded it.
        made_by: ActorId,
        /// When it was recorded.
        #[serde(with = "time::serde::rfc3339")]
        made_at: OffsetDateTime,
        /// The other side, or the witness.
        confirmed_by: Option<ActorId>,
        /// When it was confirmed.
        #[serde(with = "time::serde::rfc3339::option")]
        confirmed_at: Option<OffsetDateTime>,
        /// How many there were.
        confirmed_quantity: Option<u32>,
    }

    /// Blanks that do not fit the book.
    pub struct BlankDifference {
        /// Its id.
        id: BlankDifferenceId,
        /// The counter.
        counter_id: CounterId,
        /// The key section that it belongs to.
        section_id: SectionId,
        /// More than the book has, or fewer.
        quantity: i32,
        /// Found by which count or confirmation.
        movement_id: Option<BlankMovementId>,
        /// Found by which cut, made without a network.
        cut_id: Option<CutId>,
        /// When it was found.
        #[serde(with = "time::serde::rfc3339")]
        found_at: OffsetDateTime,
        /// What the supplier found to be behind it; open, when absent.
        explanation: Option<Explanation>,
        /// What the supplier said of it.
        remark: Option<String>,
        /// When it was explained.
        #[serde(with = "time::serde::rfc3339::option")]
        explained_at: Option<OffsetDateTime>,
    }
}

/// Why blanks cannot move.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
pub enum BlankError {
    /// Fewer on hand.
    #[error("blanks on hand: {on_hand}; needed: {needed}")]
    Short {
        /// On hand.
        on_hand: u32,
        /// Needed.
        needed: u32,
    },
    /// More than the counter may have.
    #[error("the counter may have {most}; it would have {would} on hand and on the way")]
    OverLimit {
        /// The most.
        most: u32,
        /// What it would come to.
        would: u32,
    },
    /// More than a book can hold, or fewer on the way than were acknowledged.
    #[error("the numbers do not fit this account")]
    DoesNotFit,
    /// An explanation that goes the other way, or moves blanks where only a statement was made.
    #[error("this explanation does not fit the difference")]
    WrongExplanation,
}

/// How many more there are than there should be; fewer, where it is negative.
#[must_use]
pub fn surplus(there: u32, expected: u32) -> i32 {
    let more = i64::from(there) - i64::from(expected);
    i32::try_from(more).unwrap_or(if more.is_negative() { i32::MIN } else { i32::MAX })
}

/// The most blanks that a book can hold.
const MOST_IN_BOOK: u32 = i32::MAX.unsigned_abs();

fn plus(a: u32, b: u32) -> Result<u32, BlankError> {
    a.checked_add(b).filter(|sum| *sum <= MOST_IN_BOOK).ok_or(BlankError::DoesNotFit)
}

impl BlankAccount {
    /// Whether its parts come to what was received.
    #[must_use]
    pub fn balances(&self) -> bool {
        let parts = [self.cut, self.spoiled, self.returned, self.missing, self.on_hand];
        u64::from(self.received) == parts.into_iter().map(u64::from).sum::<u64>()
    }

    fn take(&self, quantity: u32) -> Result<u32, BlankError> {
        let short = BlankError::Short { on_hand: self.on_hand, needed: quantity };
        self.on_hand.checked_sub(quantity).ok_or(short)
    }

    /// After the supplier sent some.
    ///
    /// # Errors
    /// When the counter would hold more than it may.
    pub fn sent(self, quantity: u32) -> Result<Self, BlankError> {
        let would = plus(plus(self.on_hand, self.on_the_way)?, quantity)?;
        match self.most_blanks {
            Some(most) if would > most => Err(BlankError::OverLimit { most, would }),
            _ => Ok(Self { on_the_way: plus(self.on_the_way, quantity)?, ..self }),
        }
    }

    /// After the counter acknowledged what was sent: so many were in the parcel.
    ///
    /// # Errors
    /// When so many were not on the way.
    pub fn acknowledged(self, sent: u32, counted: u32) -> Result<Self, BlankError> {
        Ok(Self {
            on_the_way: self.on_the_way.checked_sub(sent).ok_or(BlankError::DoesNotFit)?,
            received: plus(self.received, counted)?,
            on_hand: plus(self.on_hand, counted)?,
            ..self
        })
    }

    /// After keys were cut.
    ///
    /// # Errors
    /// When fewer are on hand.
    pub fn cut(self, quantity: u32) -> Result<Self, BlankError> {
        Ok(Self { on_hand: self.take(quantity)?, cut: plus(self.cut, quantity)?, ..self })
    }

    /// After keys were cut that the account does not cover: the blanks were there, so the book has them
    /// received. How many it did not have.
    ///
    /// # Errors
    /// When a book cannot hold as many.
    pub fn cut_as_fact(self, quantity: u32) -> Result<(Self, u32), BlankError> {
        let beyond = quantity.saturating_sub(self.on_hand);
        let (received, on_hand) = (plus(self.received, beyond)?, plus(self.on_hand, beyond)?);
        Ok((Self { received, on_hand, ..self }.cut(quantity)?, beyond))
    }

    /// After some were spoiled.
    ///
    /// # Errors
    /// When fewer are on hand.
    pub fn spoiled(self, quantity: u32) -> Result<Self, BlankError> {
        Ok(Self { on_hand: self.take(quantity)?, spoiled: plus(self.spoiled, quantity)?, ..self })
    }

    /// After some were sent back.
    ///
    /// # Errors
    /// When fewer are on hand.
    pub fn sent_back(self, quantity: u32) -> Result<Self, BlankError> {
        Ok(Self { on_hand: self.take(quantity)?, returned: plus(self.returned, quantity)?, ..self })
    }

    /// After a difference was explained. One that a count found may move the book; any other was in the
    /// book from the start and is only explained.
    ///
    /// # Errors
    /// When the explanation does not fit, or fewer are on hand than it takes.
    pub fn explained(
        self,
        explanation: Explanation,
        difference: i32,
        by_count: bool,
    ) -> Result<Self, BlankError> {
        let quantity = difference.unsigned_abs();
        let (more, fewer) = (difference > 0, difference < 0);
        match explanation {
            Explanation::Miscounted | Explanation::Other => Ok(self),
            _ if !by_count => Err(BlankError::WrongExplanation),
            Explanation::Found if more => Ok(Self {
                received: plus(self.received, quantity)?,
                on_hand: plus(self.on_hand, quantity)?,
                ..self
            }),
            Explanation::Spoiled if fewer => self.spoiled(quantity),
            Explanation::Returned if fewer => self.sent_back(quantity),
            Explanation::Missing if fewer => {
                Ok(Self { on_hand: self.take(quantity)?, missing: plus(self.missing, quantity)?, ..self })
            }
            Explanation::BookedTwice if fewer => {
                let on_hand = self.take(quantity)?;
                let received = self.received.checked_sub(quantity).ok_or(BlankError::DoesNotFit)?;
                Ok(Self { received, on_hand, ..self })
            }
            _ => Err(BlankError::WrongExplanation),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ids::{CounterId, SectionId};
    use proptest::prelude::*;

    fn empty(most_blanks: Option<u32>) -> BlankAccount {
        BlankAccount {
            counter_id: CounterId(uuid::Uuid::nil()),
            section_id: SectionId(uuid::Uuid::nil()),
            received: 0,
            cut: 0,
            spoiled: 0,
            returned: 0,
            missing: 0,
            on_hand: 0,
            on_the_way: 0,
            most_blanks,
        }
    }

    #[test]
    fn blanks_are_received_when_they_are_acknowledged_and_only_as_many_as_came() {
        let account = empty(Some(50)).sent(40).unwrap();
        assert_eq!((account.received, account.on_the_way), (0, 40));
        assert_eq!(account.clone().sent(11), Err(BlankError::OverLimit { most: 50, would: 51 }));
        let account = account.acknowledged(40, 38).unwrap();
        assert_eq!((account.received, account.on_hand, account.on_the_way), (38, 38, 0));
        assert_eq!(account.clone().acknowledged(1, 1), Err(BlankError::DoesNotFit));
        assert_eq!(account.cut(39), Err(BlankError::Short { on_hand: 38, needed: 39 }));
    }

    #[test]
    fn a_surplus_is_negative_where_there_are_fewer_and_ends_where_a_count_of_differences_does() {
        assert_eq!([surplus(5, 3), surplus(3, 5), surplus(5, 5)], [2, -2, 0]);
        assert_eq!([surplus(u32::MAX, 0), surplus(0, u32::MAX)], [i32::MAX, i32::MIN]);
    }

    #[test]
    fn an_account_balances_where_its_parts_come_to_what_was_received() {
        let account = BlankAccount {
            received: 15,
            cut: 1,
            spoiled: 2,
            returned: 3,
            missing: 4,
            on_hand: 5,
            on_the_way: 6,
            ..empty(None)
        };
        assert!(account.balances());
        assert!(!BlankAccount { received: 16, ..account.clone() }.balances());
        assert!(!BlankAccount { missing: 5, ..account.clone() }.balances());
        // What is on the way is not received.
        assert!(BlankAccount { on_the_way: 60, ..account }.balances());
    }

    #[test]
    fn an_explanation_moves_the_book_one_way_only() {
        let account = empty(None).sent(10).unwrap().acknowledged(10, 10).unwrap();
        let moved = |explanation, quantity| {
            let after = account.clone().explained(explanation, quantity, true).ok()?;
            assert!(after.balances(), "{explanation}");
            Some([after.received, after.spoiled, after.returned, after.missing, after.on_hand])
        };
        for (explanation, more, fewer) in [
            (Explanation::Found, Some([12, 0, 0, 0, 12]), None),
            (Explanation::Spoiled, None, Some([10, 2, 0, 0, 8])),
            (Explanation::Returned, None, Some([10, 0, 2, 0, 8])),
            (Explanation::Missing, None, Some([10, 0, 0, 2, 8])),
            (Explanation::BookedTwice, None, Some([8, 0, 0, 0, 8])),
        ] {
            assert_eq!((moved(explanation, 2), moved(explanation, -2)), (more, fewer), "{explanation}");
            assert_eq!(moved(explanation, 0), None, "{explanation}");
            // Where no count found it, there is nothing to move.
            for quantity in [-2, 2] {
                let stated = account.clone().explained(explanation, quantity, false);
                assert_eq!(stated, Err(BlankError::WrongExplanation));
            }
        }
        for explanation in [Explanation::Miscounted, Explanation::Other] {
            for by_count in [true, false] {
                assert_eq!(account.clone().explained(explanation, -2, by_count), Ok(account.clone()));
            }
        }
    }

    #[test]
    fn a_counter_is_sent_as_many_as_it_may_have_and_no_more() {
        let account = empty(Some(50)).sent(20).unwrap().acknowledged(20, 20).unwrap().sent(10).unwrap();
        assert_eq!(account.clone().sent(20).unwrap().on_the_way, 30);
        assert_eq!(account.sent(21), Err(BlankError::OverLimit { most: 50, would: 51 }));
    }

    #[test]
    fn a_cut_that_was_made_is_in_the_book_even_beyond_it() {
        let account = empty(None).sent(3).unwrap().acknowledged(3, 3).unwrap();
        let (account, beyond) = account.cut_as_fact(5).unwrap();
        assert_eq!((account.received, account.cut, account.on_hand, beyond), (5, 5, 0, 2));
    }

    proptest! {
        #[test]
        fn it_balances_after_any_order_of_moves(moves in prop::collection::vec((0..9_u8, 1..60_u32, -30..30_i32), 0..200)) {
            let mut account = empty(Some(500));
            let mut parcels = vec![];
            for (kind, quantity, difference) in moves {
                let next = account.clone();
                let after = match kind {
                    0 => next.sent(quantity).inspect(|_| parcels.push(quantity)),
                    1 => match parcels.pop() {
                        Some(sent) => next.acknowledged(sent, sent.saturating_add_signed(difference)),
                        None => next.acknowledged(quantity, quantity),
                    },
                    2 => next.cut(quantity),
                    3 => next.cut_as_fact(quantity).map(|(account, _)| account),
                    4 => next.spoiled(quantity),
                    5 => next.sent_back(quantity),
                    kind => {
                        let at = usize::from(kind) * usize::try_from(quantity).unwrap();
                        let explanation = Explanation::ALL[at % Explanation::ALL.len()];
                        next.explained(explanation, difference, quantity % 2 == 0)
                    }
                };
                // What is refused changes nothing.
                if let Ok(after) = after {
                    account = after;
                }
                prop_assert!(account.balances(), "{account:?}");
            }
        }
    }
}
