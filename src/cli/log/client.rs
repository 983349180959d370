//! The log as it is served, over HTTP.

use std::cell::RefCell;
use std::time::Duration;

use serde_json::Value;
use thiserror::Error;

use wardbook::domain::log::tile::{Content, TilePath};

/// More than any tile or bundle has: 256 entries of 64 KiB.
const MOST_BYTES: u64 = 17 * 1024 * 1024;

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
    fn new(path: &str, problem: impl Into<String>) -> Self {
        Self { path: path.to_owned(), problem: problem.into(), missing: false }
    }
}

/// How often one address is asked again by a service that says to wait.
const MOST_WAITS: u32 = 100;
/// The longest that it is waited for between two.
const LONGEST_WAIT: u64 = 60;

/// A client of one service.
pub struct Client {
    agent: ureq::Agent,
    address: String,
    /// Where the log is below the address.
    prefix: String,
    /// A client program and its secret.
    program: (String, String),
    /// Access tokens are good for minutes, an audit may take hours.
    token: RefCell<Option<String>>,
}

type Answer = ureq::http::Response<ureq::Body>;

impl Client {
    /// A client of the service at an address, such as `https://register.example`; its first log is under
    /// `/log`, the others under `/log/2` and so on.
    pub fn new(address: &str, log: u16, program: (String, String)) -> Self {
        let prefix = if log == 1 { "/log".to_owned() } else { format!("/log/{log}") };
        let config = ureq::Agent::config_builder()
            .timeout_global(Some(Duration::from_secs(30)))
            .http_status_as_error(false)
            .build();
        let address = address.trim_end_matches('/').to_owned();
        Self { agent: config.into(), address, prefix, program, token: RefCell::new(None) }
    }

    /// The published checkpoint.
    pub fn checkpoint(&self) -> Result<String, NotReached> {
        let path = format!("{}/checkpoint", self.prefix);
        let bytes = body(&path, self.get(&path, None)?)?;
        String::from_utf8(bytes).map_err(|_| NotReached::new(&path, "it is not text"))
    }

    /// A tile or a bundle.
    pub fn tile(&self, tile: TilePath) -> Result<Vec<u8>, NotReached> {
        let path = format!("{}/{tile}", self.prefix);
        if tile.content != Content::Entries {
            return body(&path, self.get(&path, None)?);
        }
        let token = self.token.borrow().clone();
        let answer = match token {
            Some(token) => self.get(&path, Some(&token))?,
            None => self.get(&path, Some(&self.sign_in()?))?,
        };
        if answer.status() == 401 {
            return body(&path, self.get(&path, Some(&self.sign_in()?))?);
        }
        body(&path, answer)
    }

    /// Signs in as a client program (RFC 6749 s. 4.4): entries are for auditors.
    fn sign_in(&self) -> Result<String, NotReached> {
        let path = "/v1/oauth/token";
        let (id, secret) = &self.program;
        let form = [
            ("grant_type", "client_credentials"),
            ("client_id", id.as_str()),
            ("client_secret", secret.as_str()),
        ];
        let post = || self.agent.post(format!("{}{path}", self.address)).send_form(form);
        let bytes = body(path, patiently(path, post)?)?;
        let token = serde_json::from_slice::<Value>(&bytes)
            .ok()
            .and_then(|answer| Some(answer.get("access_token")?.as_str()?.to_owned()))
            .ok_or_else(|| NotReached::new(path, "it gives no token"))?;
        self.token.replace(Some(token.clone()));
        Ok(token)
    }

    fn get(&self, path: &str, token: Option<&str>) -> Result<Answer, NotReached> {
        patiently(path, || {
            let mut request = self.agent.get(format!("{}{path}", self.address));
            if let Some(token) = token {
                request = request.header("authorization", format!("Bearer {token}"));
            }
            request.call()
        })
    }
}

/// Calls, and waits as long as the service asks to (429 and 503 with `Retry-After`).
fn patiently(path: &str, call: impl Fn() -> Result<Answer, ureq::Error>) -> Result<Answer, NotReached> {
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

fn body(path: &str, mut answer: Answer) -> Result<Vec<u8>, NotReached> {
    if !answer.status().is_success() {
        let missing = answer.status() == 404;
        return Err(NotReached { missing, ..NotReached::new(path, format!("status {}", answer.status())) });
    }
    let body = answer.body_mut().with_config().limit(MOST_BYTES).read_to_vec();
    body.map_err(|error| NotReached::new(path, error.to_string()))
}
