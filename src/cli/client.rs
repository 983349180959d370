//! A service, as a program that signs in sees it: over HTTP, waiting where it is asked to wait.

use std::cell::RefCell;
use std::time::Duration;

use clap::Args;
use serde_json::Value;
use thiserror::Error;

/// More than any answer has: 256 entries of the log, of 64 KiB each.
const MOST_BYTES: u64 = 17 * 1024 * 1024;
/// How often one address is asked again by a service that says to wait.
const MOST_WAITS: u32 = 100;
/// The longest that it is waited for between two.
const LONGEST_WAIT: u64 = 60;

/// What was asked for did not come.
#[derive(Debug, Error)]
#[error("{path}: {problem}")]
pub struct NotReached {
    path: String,
    problem: String,
    /// The service answered that there is no such thing.
    pub missing: bool,
}

impl NotReached {
    /// Something did not come as it has to.
    pub fn new(path: &str, problem: impl Into<String>) -> Self {
        Self { path: path.to_owned(), problem: problem.into(), missing: false }
    }
}

/// A client program and its secret.
#[derive(Args, Clone)]
pub struct Program {
    /// The client program.
    #[arg(long, env = "WARDBOOK_CLIENT_ID")]
    client_id: String,
    /// Its secret.
    #[arg(long, env = "WARDBOOK_CLIENT_SECRET", hide_env_values = true, allow_hyphen_values = true)]
    client_secret: String,
}

/// A service.
pub struct Service {
    agent: ureq::Agent,
    address: String,
    program: Program,
    /// Access tokens are good for minutes, an audit may take hours.
    token: RefCell<Option<String>>,
}

type HttpResponse = ureq::http::Response<ureq::Body>;

impl Service {
    /// The service at an address, such as `https://register.example`.
    pub fn new(address: &str, program: Program) -> Self {
        let config = ureq::Agent::config_builder()
            .timeout_global(Some(Duration::from_secs(30)))
            .http_status_as_error(false)
            .build();
        let address = address.trim_end_matches('/').to_owned();
        Self { agent: config.into(), address, program, token: RefCell::new(None) }
    }

    /// What is for everybody.
    pub fn read(&self, path: &str) -> Result<Vec<u8>, NotReached> {
        body(path, patiently(path, || self.agent.get(self.at(path)).call())?)
    }

    /// What is for those who signed in.
    pub fn read_signed_in(&self, path: &str) -> Result<Vec<u8>, NotReached> {
        body(
            path,
            self.signed_in(path, |token| {
                self.agent.get(self.at(path)).header("authorization", format!("Bearer {token}")).call()
            })?,
        )
    }

    /// Changes something, once however often it is sent with the same key.
    pub fn change(&self, path: &str, key: &str, content: &Value) -> Result<Vec<u8>, NotReached> {
        let post = |token: &str| {
            self.agent
                .post(self.at(path))
                .header("authorization", format!("Bearer {token}"))
                .header("idempotency-key", key)
                .header("content-type", "application/json")
                .send(content.to_string())
        };
        body(path, self.signed_in(path, post)?)
    }

    fn at(&self, path: &str) -> String {
        format!("{}{path}", self.address)
    }

    /// Calls with an access token, and once more with a fresh one where it is not good any more.
    fn signed_in(
        &self,
        path: &str,
        call: impl Fn(&str) -> Result<HttpResponse, ureq::Error>,
    ) -> Result<HttpResponse, NotReached> {
        let token = self.token.borrow().clone();
        if let Some(token) = token {
            let answer = patiently(path, || call(&token))?;
            if answer.status() != 401 {
                return Ok(answer);
            }
        }
        let token = self.sign_in()?;
        patiently(path, || call(&token))
    }

    /// Signs in as a client program (RFC 6749 s. 4.4).
    fn sign_in(&self) -> Result<String, NotReached> {
        let path = "/v1/oauth/token";
        let form = [
            ("grant_type", "client_credentials"),
            ("client_id", self.program.client_id.as_str()),
            ("client_secret", self.program.client_secret.as_str()),
        ];
        let bytes = body(path, patiently(path, || self.agent.post(self.at(path)).send_form(form))?)?;
        let token = serde_json::from_slice::<Value>(&bytes)
            .ok()
            .and_then(|answer| Some(answer.get("access_token")?.as_str()?.to_owned()))
            .ok_or_else(|| NotReached::new(path, "it gives no token"))?;
        self.token.replace(Some(token.clone()));
        Ok(token)
    }
}

/// Calls, and waits as long as the service asks to (429 and 503 with `Retry-After`).
fn patiently(
    path: &str,
    call: impl Fn() -> Result<HttpResponse, ureq::Error>,
) -> Result<HttpResponse, NotReached> {
    for _ in 0..MOST_WAITS {
        let answer = call().map_err(|error| NotReached::new(path, error.to_string()))?;
        let wait = answer.headers().get("retry-after").and_then(|wait| wait.to_str().ok()?.parse().ok());
        match (answer.status().as_u16(), wait) {
            (429 | 503, Some(seconds)) => {
                std::thread::sleep(Duration::from_secs(LONGEST_WAIT.min(seconds)));
            }
            _ => return Ok(answer),
        }
    }
    Err(NotReached::new(path, "the service asks to wait again and again"))
}

fn body(path: &str, mut answer: HttpResponse) -> Result<Vec<u8>, NotReached> {
    if !answer.status().is_success() {
        let missing = answer.status() == 404;
        return Err(NotReached { missing, ..NotReached::new(path, format!("status {}", answer.status())) });
    }
    let body = answer.body_mut().with_config().limit(MOST_BYTES).read_to_vec();
    body.map_err(|error| NotReached::new(path, error.to_string()))
}
