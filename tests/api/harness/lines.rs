//! The log lines of one test: others run beside it, each on a thread of its own, and are not heard.

use std::cell::RefCell;
use std::io::Write;
use std::sync::Once;

thread_local! {
    static SAID: RefCell<Option<Vec<u8>>> = const { RefCell::new(None) };
}

/// What is said on this thread from now on.
pub struct Lines;

struct Writer;

impl Write for Writer {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        SAID.with_borrow_mut(|said| said.iter_mut().for_each(|said| said.extend_from_slice(bytes)));
        Ok(bytes.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

impl Lines {
    /// Listens. The test runs on one thread, and so does what it calls.
    pub fn listen() -> Self {
        static ONCE: Once = Once::new();
        // One for all threads: what one thread alone listens to is passed over where another came first.
        ONCE.call_once(|| tracing_subscriber::fmt().with_ansi(false).with_writer(|| Writer).init());
        SAID.set(Some(Vec::new()));
        Self
    }

    /// What was said.
    pub fn said(&self) -> Vec<String> {
        let said = SAID
            .with_borrow(|said| String::from_utf8_lossy(said.as_deref().unwrap_or_default()).into_owned());
        said.lines().map(str::to_owned).collect()
    }
}
