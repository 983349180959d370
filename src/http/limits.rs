//! How often an address may call: 429 with `Retry-After` and the `RateLimit` fields.

use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::num::NonZeroU32;
use std::sync::Arc;

use axum::extract::{ConnectInfo, Request, State};
use axum::http::{HeaderName, HeaderValue};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use governor::clock::{Clock, DefaultClock};
use governor::{DefaultKeyedRateLimiter, Quota, RateLimiter};

use super::problem::{Problem, ProblemKind};

struct Limit {
    name: &'static str,
    burst: u32,
    window_seconds: u32,
    limiter: DefaultKeyedRateLimiter<IpAddr>,
}

impl Limit {
    fn new(name: &'static str, quota: Quota, window_seconds: u32) -> Self {
        Self { name, burst: quota.burst_size().get(), window_seconds, limiter: RateLimiter::keyed(quota) }
    }
}

/// The most addresses that are kept in mind before those that are quiet are forgotten.
const MANY: usize = 50_000;

/// The limits of a process. Without any, everybody may call as often as they like.
#[derive(Clone, Default)]
pub struct Limits {
    calls: Option<Arc<Limit>>,
    sign_ins: Option<Arc<Limit>>,
    proxies: usize,
}

impl Limits {
    /// So many calls a second for an address, and so many attempts to sign in a minute. Behind so many
    /// proxies of our own the address is the one that the outermost of them saw.
    #[must_use]
    pub fn new(calls_per_second: NonZeroU32, sign_ins_per_minute: NonZeroU32, proxies: usize) -> Self {
        let burst = calls_per_second.saturating_mul(NonZeroU32::MIN.saturating_add(3));
        let calls = Quota::per_second(calls_per_second).allow_burst(burst);
        Self {
            calls: Some(Arc::new(Limit::new("calls", calls, 4))),
            sign_ins: Some(Arc::new(Limit::new("sign-ins", Quota::per_minute(sign_ins_per_minute), 60))),
            proxies,
        }
    }
}

/// Addresses at which somebody tries a secret.
const ATTEMPTS: [&str; 4] =
    ["/v1/sessions", "/v1/sessions/refresh", "/v1/oauth/token", "/v1/invitations/accept"];

/// Counts calls by address and turns too many away.
pub async fn by_address(State(limits): State<Limits>, request: Request, next: Next) -> Response {
    let address = address_of(&request, limits.proxies);
    let attempt = ATTEMPTS.contains(&request.uri().path());
    let sign_ins = limits.sign_ins.filter(|_| attempt);
    for limit in [limits.calls, sign_ins].into_iter().flatten() {
        if limit.limiter.len() > MANY {
            limit.limiter.retain_recent();
        }
        if let Err(not_until) = limit.limiter.check_key(&address) {
            let wait = not_until.wait_time_from(DefaultClock::default().now()).as_secs() + 1;
            return too_many(&limit, wait);
        }
    }
    next.run(request).await
}

/// Each proxy of ours adds the address that it saw to the right of `X-Forwarded-For`; what stands
/// further left is the client's word and is not believed.
fn address_of(request: &Request, proxies: usize) -> IpAddr {
    // Without a socket (calls within the process) everybody shares one address.
    let socket = request
        .extensions()
        .get::<ConnectInfo<SocketAddr>>()
        .map_or(IpAddr::V4(Ipv4Addr::LOCALHOST), |info| info.0.ip());
    let Some(from_right) = proxies.checked_sub(1) else { return socket };
    let values = request.headers().get_all("x-forwarded-for").iter();
    let list: Vec<&str> =
        values.filter_map(|value| value.to_str().ok()).flat_map(|value| value.split(',')).collect();
    list.iter().rev().nth(from_right).and_then(|address| address.trim().parse().ok()).unwrap_or(socket)
}

fn too_many(limit: &Limit, wait: u64) -> Response {
    let mut response = Problem::new(ProblemKind::TooMany).retry_after(wait).into_response();
    let fields = [
        ("ratelimit-policy", format!("\"{}\";q={};w={}", limit.name, limit.burst, limit.window_seconds)),
        ("ratelimit", format!("\"{}\";r=0;t={wait}", limit.name)),
    ];
    for (name, value) in fields {
        if let Ok(value) = HeaderValue::from_str(&value) {
            response.headers_mut().insert(HeaderName::from_static(name), value);
        }
    }
    response
}
