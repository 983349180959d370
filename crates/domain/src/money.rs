//! Amounts of money, in the smallest unit of their currency.

/// The most that an amount may be.
pub const MOST_AMOUNT: u32 = 100_000_000;

/// Whether this has the form of a currency's code (ISO 4217).
#[must_use]
pub fn is_currency(code: &str) -> bool {
    code.len() == 3 && code.bytes().all(|byte| byte.is_ascii_uppercase())
}
