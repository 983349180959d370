//! The owner's card: for a card printer, in a letter, and on a phone.
//!
//! The card is of the size ID-1 (ISO/IEC 7810: 85.60 mm by 53.98 mm). It names no person and no place.

use std::fmt::Write;

use crate::error::PrintError;
use crate::paper::{At, Drawing, Look, bold, one_page, plain};
use crate::qr::Modules;

const CARD: (f32, f32) = (85.60, 53.98);
const A4: (f32, f32) = (210.0, 297.0);
/// Wide enough for 77 modules of 0.45 mm each.
const QR: f32 = 35.0;

const NEVER_ENOUGH: &str =
    "This card alone is never enough: its holder's PIN and an identity document are asked for.";

/// What is on a card.
pub struct CardFace<'a> {
    /// Whose register it is.
    pub supplier: &'a str,
    /// The number, grouped.
    pub number: &'a str,
    /// The last day, as an ISO date.
    pub expires_on: &'a str,
    /// What the QR code holds.
    pub token: &'a str,
}

/// What is in the letter besides.
pub struct Letter<'a> {
    /// The name of its holder.
    pub holder: &'a str,
    /// The registration's number, grouped.
    pub registration: &'a str,
}

fn face(drawing: &mut Drawing<'_, '_>, (x, y): (f32, f32), card: &CardFace<'_>, modules: &Modules) {
    let left = |dy: f32| At { x: x + 4.0, y: y + dy, width: 39.0 };
    let grey = |size| Look { grey: 90, ..plain(size) };
    drawing.text(left(4.0), bold(9.0), card.supplier);
    drawing.text(left(16.5), grey(6.5), "Owner's card");
    drawing.text(left(20.0), bold(10.5), card.number);
    drawing.text(left(27.5), grey(6.5), "Good until");
    drawing.text(left(31.0), plain(9.0), card.expires_on);
    drawing.text(left(39.5), grey(6.0), NEVER_ENOUGH);
    drawing.qr((x + CARD.0 - QR - 5.0, y + (CARD.1 - QR) / 2.0), QR, modules);
}

/// A card as a page of its size.
///
/// # Errors
/// When the token is too long for a QR code.
pub fn card_pdf(card: &CardFace<'_>) -> Result<Vec<u8>, PrintError> {
    let modules = Modules::of(card.token)?;
    one_page("Owner's card", CARD, |drawing| face(drawing, (0.0, 0.0), card, &modules))
}

/// A letter on A4 with the card in it, to be cut out.
///
/// # Errors
/// When the token is too long for a QR code.
pub fn letter_pdf(card: &CardFace<'_>, letter: &Letter<'_>) -> Result<Vec<u8>, PrintError> {
    let modules = Modules::of(card.token)?;
    one_page("Owner's card", A4, |drawing| {
        let column = |y| At { x: 25.0, y, width: 160.0 };
        drawing.text(column(22.0), bold(14.0), card.supplier);
        let mut y = 48.0;
        y += drawing.text(column(y), plain(11.0), letter.holder) + 10.0;
        let title = format!("Your card for registration {}", letter.registration);
        y += drawing.text(column(y), bold(13.0), &title) + 5.0;
        let expiry = format!("It is good until {} included.", card.expires_on);
        for paragraph in [
            "Below is your card. It shows a locksmith's counter which registration you may order keys for. It \
             names neither you nor the premises.",
            "Before you use it, sign in and set a PIN for it. Nobody else knows the PIN, and nobody will ask \
             you for it anywhere but at a counter, where you enter it yourself. If you forget it, whoever \
             governs the registration can have it reset.",
            "At the counter you show the card and an identity document with a photograph, and sign for the \
             keys. Somebody else may collect them for you only with a mandate that the register knows.",
            "If the card is lost, suspend it at once in your account, or tell whoever governs the \
             registration: a copy or photograph of it is as good as the card itself.",
            expiry.as_str(),
        ] {
            y += drawing.text(column(y), plain(10.5), paragraph) + 3.0;
        }
        let corner = ((A4.0 - CARD.0) / 2.0, 205.0);
        drawing.frame(corner, CARD);
        face(drawing, corner, card, &modules);
        let below = At { x: 25.0, y: corner.1 + CARD.1 + 3.0, width: 160.0 };
        drawing.text(below, Look { centred: true, grey: 90, ..plain(8.0) }, "Cut along the line.");
    })
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

/// A card for the screen of a phone.
///
/// # Errors
/// When the token is too long for a QR code.
pub fn card_svg(card: &CardFace<'_>) -> Result<String, PrintError> {
    let modules = Modules::of(card.token)?;
    let side = modules.width_f32() + 8.0;
    let (middle, height) = (side / 2.0, side + 26.0);
    let mut path = String::new();
    for run in modules.dark_runs() {
        // Writing to a string does not fail.
        let _ = write!(path, "M{},{}h{length}v1h-{length}z", run.x + 4.0, run.y + 4.0, length = run.length);
    }
    let (supplier, number, until) = (escaped(card.supplier), escaped(card.number), escaped(card.expires_on));
    Ok(format!(
        r##"<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {side} {height}" role="img" aria-label="Owner's card {number}"><rect width="{side}" height="{height}" fill="#fff"/><path shape-rendering="crispEdges" d="{path}"/><g font-family="sans-serif" text-anchor="middle"><text x="{middle}" y="{}" font-size="7" font-weight="bold">{number}</text><text x="{middle}" y="{}" font-size="4.5">{supplier}</text><text x="{middle}" y="{}" font-size="4.5">good until {until}</text></g></svg>
"##,
        side + 5.0,
        side + 13.0,
        side + 20.0
    ))
}
