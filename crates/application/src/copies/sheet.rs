//! The cutting sheet: the one way on which bitting leaves.

use serde_json::json;

use crate::copies::counter::at_counter;
use crate::copies::gather::{Question, StepInput, gather_for_act};
use crate::copies::{DecidedRequest, enter_step};
use crate::register::rules;
use crate::secrets::Context;
use crate::{Act, ActError, secrets};
use domain::copies::decision::facts::Step;
use domain::copies::decision::{RecordedStep, decide};
use domain::differs::bitting::Bitting;
use domain::ids::CopyRequestId;
use domain::numbers::TypedNumber;
use storage::register::sections;
use storage::{counters, differs};

/// What a counter needs to cut the keys of an open authorisation.
pub struct CuttingSheet {
    /// The registration's number.
    pub registration: TypedNumber,
    /// The key section's name.
    pub section: String,
    /// The counter's name.
    pub counter: String,
    /// The differ's number.
    pub differ: String,
    /// The heights, from bow to tip.
    pub bitting: Bitting,
    /// How many keys are still to be cut; their numbers come with the cut.
    pub left: u32,
}

/// Looks at the bitting for an open authorisation: decided like a cut, and recorded each time.
pub async fn look(
    act: &mut Act<'_>,
    id: CopyRequestId,
) -> Result<(DecidedRequest, Option<CuttingSheet>), ActError> {
    let (registration, request) = at_counter(act, None, id).await?;
    let progress = request.progress().ready_to_cut()?;
    let rules = rules::in_force(act.db(), &registration).await?;
    let input = StepInput { quantity: 1, ..StepInput::default() };
    let question = Question { step: Step::Look, request: &request, input };
    let facts = gather_for_act(act, &registration, &rules, question).await?;
    let decision = decide(&facts, &rules);
    let more = vec![("counter", json!(request.counter_id))];
    let recorded =
        enter_step(act, &registration, &request, RecordedStep::Look, Some(&decision), more).await?;
    if !decision.is_permitted() {
        return Ok((DecidedRequest { request, decision, recorded }, None));
    }
    let missing = || ActError::Internal("a request without its differ, section or counter".to_owned());
    let app = act.app();
    let differ = differs::differ(act.db(), request.differ_id).await?.ok_or_else(missing)?;
    let sealed = storage::secrets::bitting(act.db(), request.differ_id).await?;
    let sealed = sealed.ok_or(ActError::Conflict("the bitting of this differ is not on record yet"))?;
    let heights = secrets::open(app, act.db(), Context::Bitting(request.differ_id), &sealed).await?;
    let sheet = CuttingSheet {
        registration: registration.number,
        section: sections::section(act.db(), registration.section_id).await?.ok_or_else(missing)?.name,
        counter: counters::counter(act.db(), request.counter_id).await?.ok_or_else(missing)?.name,
        differ: differ.number,
        bitting: secrets::bitting_of(&heights)?,
        left: progress.left_to_cut(),
    };
    Ok((DecidedRequest { request, decision, recorded }, Some(sheet)))
}
