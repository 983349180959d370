//! The hand-over of a plot to its buyer.

use serde_json::json;

use super::{every_right, give, locked};
use crate::application::keys::move_key;
use crate::application::{Act, ActError, differs};
use crate::domain::ids::{DifferId, OrganisationId, PersonId, PlotId};
use crate::domain::key::{KeyAct, KeyState};
use crate::domain::records::{Authority, Key, PlotHandOver, Registration};
use crate::domain::register::{DifferState, DocumentKind, OrganisationKind};
use crate::domain::signature::{Signature, hash_of};
use crate::domain::site::in_the_way;
use crate::storage::{Page, authorities, copies, keys, people, register, sites};

/// A hand-over as it is made.
pub struct NewHandOver {
    /// Whose the plot is from now on.
    pub buyer: OrganisationId,
    /// Who collects the keys and signs: the owner's authority is theirs.
    pub collected_by: PersonId,
    /// The identity document that was seen.
    pub document: DocumentKind,
    /// The signature that was drawn.
    pub signature: Signature,
}

/// Hands a plot over: its keys go to the buyer against a signature, its registration is the buyer's, and
/// what the builder had on it ends, all at one instant.
pub async fn hand_over(
    act: &mut Act<'_>,
    id: PlotId,
    new: NewHandOver,
) -> Result<(PlotHandOver, Vec<Key>), ActError> {
    let (plot, record, _) = locked(act, id).await?;
    let locks = sites::locks(act.db(), id).await?;
    let problems = in_the_way(&locks);
    if !problems.is_empty() {
        return Err(ActError::WrongState { state: "not_ready", detail: problems.join("; ") });
    }
    let buyer = people::organisation(act.db(), new.buyer).await?;
    if buyer.is_none_or(|buyer| buyer.kind != OrganisationKind::Owner) {
        return Err(ActError::invalid("/buyer_id", "is not an owner"));
    }
    super::require_person(act, new.collected_by, "/collected_by").await?;
    let builder = record.owner_id;
    end_builders_rights(act, &record).await?;
    let mut finals: Vec<DifferId> = locks.iter().map(|lock| lock.final_differ_id).collect();
    finals.sort_unstable();
    finals.dedup();
    for differ in &finals {
        differs::move_on(act, &record, *differ, DifferState::GivenOut).await?;
    }
    let now = act.now;
    let after = Registration { owner_id: new.buyer, version: record.version + 1, ..record };
    register::change_owner(act.db(), &after, now).await?;
    act.record_change("registration.owner_changed", Some(after.id), after.id.0, vec![]).await?;
    let owner = Authority { person_id: Some(new.collected_by), ..every_right(act, &after, act.today()) };
    give(act, &owner).await?;
    let handed = keys_out(act, &finals, new.collected_by).await?;
    let hand_over = PlotHandOver {
        id: act.id(),
        plot_id: plot.id,
        builder_id: builder,
        buyer_id: new.buyer,
        collected_by: new.collected_by,
        document_seen: new.document,
        keys_handed: i32::try_from(handed.len()).unwrap_or(i32::MAX),
        made_at: act.now,
    };
    let by = act.caller.actor();
    sites::hand_over(act.db(), &hand_over, by).await?;
    let strokes = new.signature.json();
    let hash = hash_of(&strokes);
    if let Err(error) = sites::add_signature(act.db(), hand_over.id, &strokes, &hash).await {
        return Err(match error.violated() {
            Some("signatures_pkey") => ActError::invalid("/signature", "was given before: sign anew"),
            _ => error.into(),
        });
    }
    let personal = vec![
        ("collector", json!(new.collected_by)),
        ("document", json!(new.document)),
        ("signature", json!(hash)),
    ];
    act.record_change("plot.handed_over", Some(after.id), plot.id.0, personal).await?;
    Ok((hand_over, handed))
}

/// Every authority, card and open request on a plot that is the builder's ends.
async fn end_builders_rights(act: &mut Act<'_>, record: &Registration) -> Result<(), ActError> {
    let now = act.now;
    let given = authorities::of_registration(act.db(), record.id, Page::ALL).await?;
    let standing: Vec<Authority> = given.into_iter().filter(|given| given.revoked_at.is_none()).collect();
    let ids: Vec<_> = standing.iter().map(|given| given.id).collect();
    authorities::revoke(act.db(), &ids, now).await?;
    for authority in &standing {
        let who = crate::application::authorities::holder_of(authority);
        act.record_change("authority.revoked", Some(record.id), authority.id.0, who).await?;
    }
    crate::application::cards::revoke_all(act, record.id).await?;
    let open = copies::open(act.db(), record.id).await?;
    crate::application::copies::stop(act, record, open).await
}

/// The keys that came with the final packs go to the buyer; a plot without one is not handed over.
async fn keys_out(act: &mut Act<'_>, finals: &[DifferId], collector: PersonId) -> Result<Vec<Key>, ActError> {
    let mut handed = Vec::new();
    for differ in finals {
        let live = keys::live_of_differ(act.db(), *differ).await?;
        let waiting: Vec<Key> = live.into_iter().filter(|key| key.state == KeyState::InStore).collect();
        if waiting.is_empty() {
            return Err(ActError::Conflict(
                "no key of one of the plot's differs is in store to be handed over",
            ));
        }
        for key in waiting {
            handed.push(move_key(act, key, KeyAct::Issue, Some(collector), None).await?);
        }
    }
    Ok(handed)
}
