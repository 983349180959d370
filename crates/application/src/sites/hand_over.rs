//! The hand-over of a plot to its buyer.

use serde_json::json;
use uuid::Uuid;

use crate::copies::signature_error;
use crate::keys::move_key;
use crate::rights::authorities::end;
use crate::sites::{every_right, give, plot_for_update};
use crate::{Act, ActError, differs};
use domain::copies::DocumentKind;
use domain::copies::signature::Signature;
use domain::count::number_of;
use domain::differs::DifferState;
use domain::disclosures::commitment;
use domain::ids::{DifferId, OrganisationId, PersonId, PlotId};
use domain::keys::{Key, KeyAct, KeyState};
use domain::people::OrganisationKind;
use domain::register::registrations::Registration;
use domain::rights::Ending;
use domain::rights::authorities::Authority;
use domain::sites::{Plot, PlotHandOver, PlotLock, in_the_way};
use storage::people::memberships;
use storage::register::registrations;
use storage::rights::authorities;
use storage::{Portion, differs as stored_differs, keys, people, sites};

/// The hand-over of a plot to its buyer.
pub struct HandOverToBuyer {
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
    new: HandOverToBuyer,
) -> Result<(PlotHandOver, Vec<Key>), ActError> {
    let (plot, registration) = plot_for_update(act, id).await?;
    let locks = sites::locks(act.db(), id).await?;
    require_ready(act, &plot, &registration, &locks).await?;
    require_buyer(act, &registration, &new).await?;
    let builder = registration.owner_id;
    end_builders_rights(act, &registration).await?;
    let mut finals: Vec<DifferId> = locks.iter().map(|lock| lock.final_differ_id).collect();
    finals.sort_unstable();
    finals.dedup();
    for differ in &finals {
        let found = stored_differs::differ(act.db(), *differ).await?.ok_or(ActError::NotFound)?;
        if found.state == DifferState::GivenOut {
            continue;
        }
        differs::move_on(act, &registration, *differ, DifferState::GivenOut).await?;
    }
    let now = act.now;
    let version = registration.version + 1;
    let after = Registration { owner_id: new.buyer, owner_since: Some(now), version, ..registration };
    registrations::change_owner(act.db(), &after, now).await?;
    act.enter_change("registration.owner_changed", Some(after.id), after.id.0, vec![]).await?;
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
        keys_handed: number_of(handed.len()),
        made_at: act.now,
    };
    let by = act.caller.actor();
    sites::hand_over(act.db(), &hand_over, by).await?;
    let strokes = new.signature.json();
    let hash = commitment(&strokes);
    sites::add_signature(act.db(), hand_over.id, &strokes, &hash).await.map_err(signature_error)?;
    let personal = vec![
        ("collector", json!(new.collected_by)),
        ("document", json!(new.document)),
        ("signature", json!(hash)),
    ];
    act.enter_change("plot.handed_over", Some(after.id), plot.id.0, personal).await?;
    Ok((hand_over, handed))
}

/// Every lock is the buyer's own, and every key is there.
async fn require_ready(
    act: &mut Act<'_>,
    plot: &Plot,
    registration: &Registration,
    locks: &[PlotLock],
) -> Result<(), ActError> {
    let mut problems = in_the_way(locks);
    let otherwise = sites::answering_otherwise(act.db(), plot.id).await?;
    problems.extend(otherwise.iter().map(|label| format!("{label} answers to another differ than its own")));
    problems.extend(keys_in_the_way(act, registration).await?);
    if problems.is_empty() {
        Ok(())
    } else {
        Err(ActError::WrongState { state: "not_ready", detail: problems.join("; ") })
    }
}

/// The buyer is an owner, and whoever collects is not of the builder.
async fn require_buyer(
    act: &mut Act<'_>,
    registration: &Registration,
    new: &HandOverToBuyer,
) -> Result<(), ActError> {
    let buyer = people::organisation(act.db(), new.buyer).await?;
    if buyer.is_none_or(|buyer| buyer.kind != OrganisationKind::Owner) {
        return Err(ActError::invalid("/buyer_id", "is not an owner"));
    }
    super::require_person(act, new.collected_by, "/collected_by").await?;
    let today = act.today();
    let seats = memberships::seats(act.db(), new.collected_by, today).await?;
    let of_builder = seats.iter().any(|seat| seat.organisation_id == registration.owner_id);
    if of_builder || act.caller.person() == Some(new.collected_by) {
        let problem = "is the builder's: a plot is handed over to its buyer";
        return Err(ActError::invalid("/collected_by", problem));
    }
    Ok(())
}

/// Keys of the plot that somebody has, or that are missing: the buyer gets every key there is.
async fn keys_in_the_way(act: &mut Act<'_>, registration: &Registration) -> Result<Vec<String>, ActError> {
    let mut found = Vec::new();
    for (state, problem) in [
        (KeyState::WithPerson, "key of the plot is with somebody"),
        (KeyState::Lost, "key of the plot is lost: its locks are rekeyed first"),
        (KeyState::Stolen, "key of the plot is stolen: its locks are rekeyed first"),
    ] {
        let keys = keys::of_registration(
            act.db(),
            registration.id,
            None,
            None,
            Some(state),
            Uuid::nil(),
            Portion::ALL,
        )
        .await?;
        if !keys.is_empty() {
            found.push(format!("{} {problem}", keys.len()));
        }
    }
    Ok(found)
}

/// Every authority, card, mandate and open request on a plot that is the builder's ends.
async fn end_builders_rights(act: &mut Act<'_>, registration: &Registration) -> Result<(), ActError> {
    let now = act.now;
    let given = authorities::of_registration(act.db(), registration.id, Portion::ALL).await?;
    let ids: Vec<_> = given.iter().map(|given| given.id).collect();
    end(act, registration, &given, &Ending { authorities: &ids, seat: None, at: now, left: None }).await?;
    for mandate in authorities::mandates(act.db(), registration.id, Portion::ALL).await? {
        if mandate.revoked_at.is_none() {
            authorities::revoke_mandate(act.db(), mandate.id, now).await?;
            act.enter_change("mandate.revoked", Some(registration.id), mandate.id.0, vec![]).await?;
        }
    }
    Ok(())
}

/// The keys that came with the final packs go to the buyer; a plot without one is not handed over.
async fn keys_out(act: &mut Act<'_>, finals: &[DifferId], collector: PersonId) -> Result<Vec<Key>, ActError> {
    let mut handed = Vec::new();
    for differ in finals {
        let live = keys::live_of_differ(act.db(), *differ).await?;
        let in_hand = |key: &Key| matches!(key.state, KeyState::InStore | KeyState::Returned);
        let waiting: Vec<Key> = live.into_iter().filter(in_hand).collect();
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
