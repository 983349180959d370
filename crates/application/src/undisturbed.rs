//! Work that goes on to its end, whoever hangs up.
//!
//! A caller who goes away, or a limit on time, drops the future that works for the call. Where that happens
//! between BEGIN and its answer, the connection goes back to the pool inside of a transaction, and what the
//! next act writes on it is rolled back with it (docs/decisions/0032-hang-ups.md). So every call works in a
//! task of its own that nobody ends; what is dropped is the wait for it.

use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;
use tracing::Instrument;

tokio::task_local! {
    static LEFT: CancellationToken;
}

/// The tasks in which a process works for its callers.
#[derive(Debug, Clone, Default)]
pub struct Undisturbed(TaskTracker);

impl Undisturbed {
    /// Does work in a task of its own. Dropping this future ends nothing; the work can learn that nobody
    /// waits for it any more.
    ///
    /// # Panics
    /// When the work does.
    pub async fn run<T: Send + 'static>(&self, work: impl Future<Output = T> + Send + 'static) -> T {
        let left = CancellationToken::new();
        let work = LEFT.scope(left.clone(), work).in_current_span();
        let task = self.0.spawn(work);
        let _tells = left.drop_guard();
        match task.await {
            Ok(done) => done,
            Err(ended) => match ended.try_into_panic() {
                Ok(panic) => std::panic::resume_unwind(panic),
                // The process ends, and everything with it.
                Err(_) => std::future::pending().await,
            },
        }
    }

    /// Waits until no work is under way.
    pub async fn ended(&self) {
        self.0.close();
        self.0.wait().await;
    }
}

/// Until whoever asked for the work of this task has gone; for ever where nobody asked.
pub async fn left() {
    match LEFT.try_with(CancellationToken::clone) {
        Ok(left) => left.cancelled().await,
        Err(_) => std::future::pending().await,
    }
}

/// Whether whoever asked for the work of this task has gone. Nobody has where nobody asked.
#[must_use]
pub fn nobody_waits() -> bool {
    LEFT.try_with(CancellationToken::is_cancelled).unwrap_or(false)
}

#[cfg(test)]
mod tests {
    use super::*;
    use tokio::sync::oneshot;

    #[tokio::test]
    async fn work_ends_although_nobody_waits_for_it_and_knows_that() {
        let undisturbed = Undisturbed::default();
        let (leave, gone) = oneshot::channel::<()>();
        let (tell_before, before) = oneshot::channel();
        let (tell_after, after) = oneshot::channel();
        let work = undisturbed.run(async move {
            let _ = tell_before.send(nobody_waits());
            let _ = gone.await;
            let _ = tell_after.send(nobody_waits());
        });
        let mut work = Box::pin(work);
        assert!(waits_after_a_poll(&mut work).await);
        assert!(!before.await.unwrap());
        drop(work);
        leave.send(()).unwrap();
        assert!(after.await.unwrap());
        undisturbed.ended().await;
        assert!(!nobody_waits());
    }

    /// Polls a future once; whether it waits.
    async fn waits_after_a_poll(future: &mut (impl Future<Output = ()> + Unpin)) -> bool {
        std::future::poll_fn(|context| {
            std::task::Poll::Ready(std::pin::Pin::new(&mut *future).poll(context).is_pending())
        })
        .await
    }
}
