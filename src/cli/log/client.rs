//! The log as it is served, over HTTP.

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

/// A client of one service.
pub struct Client {
    agent: ureq::Agent,
    address: String,
    /// Where the log is below the address.
    prefix: String,
    token: Option<String>,
}

impl Client {
    /// A client of the service at an address, such as `https://register.example`; its first log is under
    /// `/log`, the others under `/log/2` and so on.
    pub fn new(address: &str, log: u16) -> Self {
        let prefix = if log == 1 { "/log".to_owned() } else { format!("/log/{log}") };
        let config = ureq::Agent::config_builder()
            .timeout_global(Some(Duration::from_secs(30)))
            .http_status_as_error(false)
            .build();
        Self { agent: config.into(), address: address.trim_end_matches('/').to_owned(), prefix, token: None }
    }

    /// Signs in as a client program (RFC 6749 s. 4.4): entries are for auditors.
    pub fn sign_in(&mut self, id: &str, secret: &str) -> Result<(), NotReached> {
        let path = "/v1/oauth/token";
        let form = [("grant_type", "client_credentials"), ("client_id", id), ("client_secret", secret)];
        let answer = self.agent.post(format!("{}{path}", self.address)).send_form(form);
        let bytes = read(path, answer)?;
        let token = serde_json::from_slice::<Value>(&bytes)
            .ok()
            .and_then(|answer| Some(answer.get("access_token")?.as_str()?.to_owned()))
            .ok_or_else(|| NotReached::new(path, "it gives no token"))?;
        self.token = Some(token);
        Ok(())
    }

    /// The published checkpoint.
    pub fn checkpoint(&self) -> Result<String, NotReached> {
        let path = format!("{}/checkpoint", self.prefix);
        let bytes = read(&path, self.agent.get(format!("{}{path}", self.address)).call())?;
        String::from_utf8(bytes).map_err(|_| NotReached::new(&path, "it is not text"))
    }

    /// A tile or a bundle.
    pub fn tile(&self, tile: TilePath) -> Result<Vec<u8>, NotReached> {
        let path = format!("{}/{tile}", self.prefix);
        let mut request = self.agent.get(format!("{}{path}", self.address));
        if let (Content::Entries, Some(token)) = (tile.content, &self.token) {
            request = request.header("authorization", format!("Bearer {token}"));
        }
        read(&path, request.call())
    }
}

fn read(
    path: &str,
    answer: Result<ureq::http::Response<ureq::Body>, ureq::Error>,
) -> Result<Vec<u8>, NotReached> {
    let failed = |problem: String| NotReached::new(path, problem);
    let mut answer = answer.map_err(|error| failed(error.to_string()))?;
    if !answer.status().is_success() {
        let missing = answer.status() == 404;
        return Err(NotReached { missing, ..failed(format!("status {}", answer.status())) });
    }
    let body = answer.body_mut().with_config().limit(MOST_BYTES).read_to_vec();
    body.map_err(|error| failed(error.to_string()))
}
