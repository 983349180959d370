//! The clock and the source of randomness: handed in, so that nothing else reaches for them.

use std::sync::Arc;

use time::OffsetDateTime;
use uuid::Uuid;

use domain::calendar::microseconds;

/// Tells the time.
pub trait Clock: Send + Sync {
    /// Now, in UTC, to the microsecond.
    fn now(&self) -> OffsetDateTime;
}

/// Draws random bytes.
pub trait Random: Send + Sync {
    /// Fills a buffer.
    fn fill(&self, buffer: &mut [u8]);
}

/// The machine's clock.
pub struct SystemClock;

impl Clock for SystemClock {
    #[expect(clippy::disallowed_methods, reason = "the one place that reads the machine's clock")]
    fn now(&self) -> OffsetDateTime {
        microseconds(OffsetDateTime::now_utc())
    }
}

/// The operating system's generator.
pub struct SystemRandom;

impl Random for SystemRandom {
    /// # Panics
    /// When the operating system has no randomness to give: nothing can go on without.
    #[expect(clippy::disallowed_methods, reason = "the one place that asks for randomness")]
    fn fill(&self, buffer: &mut [u8]) {
        if let Err(error) = getrandom::fill(buffer) {
            panic!("the operating system gives no random bytes: {error}");
        }
    }
}

/// Both, as they are passed around.
#[derive(Clone)]
pub struct Outside {
    /// The clock.
    pub clock: Arc<dyn Clock>,
    /// Randomness.
    pub random: Arc<dyn Random>,
}

impl Outside {
    /// Those of the machine.
    #[must_use]
    pub fn system() -> Self {
        Self { clock: Arc::new(SystemClock), random: Arc::new(SystemRandom) }
    }

    /// So many random bytes.
    #[must_use]
    pub fn bytes<const N: usize>(&self) -> [u8; N] {
        let mut bytes = [0; N];
        self.random.fill(&mut bytes);
        bytes
    }

    /// A new id, `UUIDv7` (RFC 9562 s. 5.7), of an instant.
    #[must_use]
    pub fn id(&self, now: OffsetDateTime) -> Uuid {
        let milliseconds = u64::try_from(now.unix_timestamp_nanos() / 1_000_000).unwrap_or(0);
        uuid::Builder::from_unix_timestamp_millis(milliseconds, &self.bytes()).into_uuid()
    }

    /// A secret of 256 random bits, as base64url.
    #[must_use]
    pub fn secret(&self) -> String {
        use base64::Engine;
        base64::engine::general_purpose::URL_SAFE_NO_PAD.encode(self.bytes::<32>())
    }
}
