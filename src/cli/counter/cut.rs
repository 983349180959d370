//! `wardbook counter cut`.

use clap::Args;

use crate::cli::Done;
use crate::cli::counter::check::{ListAge, check, scanned};
use crate::cli::counter::folder::{Cut, Files};
use application::outside::Outside;
use domain::cards::CardState;
use domain::ids::CopyRequestId;

/// Options of `counter cut`.
#[derive(Args)]
pub struct Options {
    /// The request, one of those that were taken in.
    #[arg(long)]
    request: uuid::Uuid,
    /// How many keys.
    #[arg(long, default_value_t = 1)]
    quantity: u32,
    /// What the QR code of the card holds that is shown; `-` reads it from standard input.
    #[arg(long)]
    card: Option<String>,
    /// The worn key was handed in.
    #[arg(long)]
    old_key_handed_in: bool,
    #[command(flatten)]
    age: ListAge,
    #[command(flatten)]
    folder: super::Folder,
}

/// Records a cut under an authorisation that was taken in: before the blank goes into the machine.
pub fn run(options: &Options) -> Done {
    let files = Files::new(&options.folder.folder);
    let _lock = files.lock()?;
    let outside = Outside::system();
    let now = outside.clock.now();
    let card = match &options.card {
        Some(token) => {
            let checked = check(&files, &scanned(token)?, options.age.most(), now)?;
            if checked.state != CardState::Valid {
                return Err(format!("the card is {}", checked.state).into());
            }
            Some(checked.number)
        }
        None => None,
    };
    let bundle = files.bundle(now)?;
    let request = CopyRequestId(options.request);
    // What was cut before was brought in before, and is not in what the bundle leaves any more.
    let since = files.cuts()?.into_iter().skip(files.cuts_before()?);
    let since = since.filter(|cut| cut.copy_request == request).map(|cut| cut.quantity).sum();
    let authorised = bundle.may_cut(request, options.quantity, since, card.as_ref(), now)?;
    let cut = Cut {
        id: outside.id(now),
        copy_request: request,
        quantity: options.quantity,
        at: now,
        old_key_handed_in: options.old_key_handed_in,
    };
    files.add_cut(&cut)?;
    println!(
        "recorded: {} of {} {}, registration {}; bring it in as soon as there is a network",
        options.quantity,
        authorised.section,
        authorised.differ,
        authorised.registration.grouped()
    );
    println!("stamp the keys then, with the numbers that the register gives");
    Ok(())
}
