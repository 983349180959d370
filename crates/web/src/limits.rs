//! How often an address may call: 429 with `Retry-After` and the `RateLimit` fields.

use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::num::NonZeroU32;
use std::sync::Arc;

use axum::extract::{ConnectInfo, FromRequestParts, Request, State};
use axum::http::request::Parts;
use axum::http::{HeaderName, HeaderValue};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use governor::Quota;

use crate::problem::{Problem, ProblemKind};
use application::network::Network;
use application::rates::Rate;

struct Limit {
    name: &'static str,
    window_seconds: u32,
    rate: Rate<Network>,
}

impl Limit {
    fn new(name: &'static str, quota: Quota, window_seconds: u32) -> Self {
        Self { name, window_seconds, rate: Rate::new(quota) }
    }

    /// Counts one more of an address; where that is too many, the reply to it.
    #[expect(clippy::result_large_err, reason = "the reply leaves at once")]
    fn count(&self, address: Network) -> Result<(), Response> {
        self.rate.count(&address).map_err(|wait| too_many(self, wait))
    }
}

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

/// Counts calls by address and turns too many away.
pub async fn by_address(State(limits): State<Limits>, mut request: Request, next: Next) -> Response {
    let address = Network::of(address_of(&request, limits.proxies));
    tracing::Span::current().record("network", tracing::field::display(address));
    if let Some(limit) = &limits.calls
        && let Err(refused) = limit.count(address)
    {
        return refused;
    }
    request.extensions_mut().insert(Address { address, sign_ins: limits.sign_ins });
    next.run(request).await
}

/// Who calls by address, for handlers that count more strictly.
#[derive(Clone)]
struct Address {
    address: Network,
    sign_ins: Option<Arc<Limit>>,
}

/// The call is an attempt at a secret: an address has few of them a minute. It comes from there.
pub struct Attempt(pub Network);

impl<S: Send + Sync> FromRequestParts<S> for Attempt {
    type Rejection = Response;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Self, Response> {
        let Some(Address { address, sign_ins }) = parts.extensions.get() else {
            return Ok(Self(Network::of(Ipv4Addr::LOCALHOST.into())));
        };
        if let Some(limit) = sign_ins {
            limit.count(*address)?;
        }
        Ok(Self(*address))
    }
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
        (
            "ratelimit-policy",
            format!("\"{}\";q={};w={}", limit.name, limit.rate.burst(), limit.window_seconds),
        ),
        ("ratelimit", format!("\"{}\";r=0;t={wait}", limit.name)),
    ];
    for (name, value) in fields {
        if let Ok(value) = HeaderValue::from_str(&value) {
            response.headers_mut().insert(HeaderName::from_static(name), value);
        }
    }
    response
}
