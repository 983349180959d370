//! Somebody who calls through the real router, and what comes back.

use std::sync::atomic::{AtomicU64, Ordering};

use axum::Router;
use axum::body::Body;
use axum::http::{Request, StatusCode};
use http_body_util::BodyExt;
use serde_json::Value;
use tower::ServiceExt;

/// What came back.
#[derive(Debug, Clone)]
pub struct Reply {
    pub status: StatusCode,
    pub headers: axum::http::HeaderMap,
    pub body: Value,
    pub text: String,
}

impl Reply {
    #[track_caller]
    pub fn expect(self, status: u16) -> Value {
        assert_eq!(self.status.as_u16(), status, "{}", self.text);
        self.body
    }

    pub fn codes(&self) -> Vec<String> {
        let reasons = self.body["decision"]["reasons"].as_array().cloned().unwrap_or_default();
        reasons.iter().map(|reason| reason["code"].as_str().unwrap().to_owned()).collect()
    }

    pub fn outcome(&self) -> &str {
        self.body["decision"]["outcome"].as_str().unwrap_or_default()
    }

    pub fn id(&self) -> String {
        self.body["id"].as_str().unwrap_or_else(|| panic!("no id: {}", self.text)).to_owned()
    }

    pub fn request_id(&self) -> String {
        self.body["copy_request"]["id"].as_str().unwrap_or_else(|| panic!("{}", self.text)).to_owned()
    }
}

/// Somebody who calls.
#[derive(Clone, Default)]
pub struct Actor {
    pub id: String,
    pub token: String,
    pub router: Router,
}

/// What is counted up for keys, so that no two are alike.
pub(super) static NEXT_KEY: AtomicU64 = AtomicU64::new(1);

impl Actor {
    pub async fn call(&self, method: &str, path: &str, headers: &[(&str, &str)], body: Vec<u8>) -> Reply {
        self.raw(method, path, headers, body).await.0
    }

    /// The bytes of an answer.
    pub async fn bytes(&self, path: &str) -> Vec<u8> {
        self.raw("GET", path, &[], vec![]).await.1
    }

    async fn raw(
        &self,
        method: &str,
        path: &str,
        headers: &[(&str, &str)],
        body: Vec<u8>,
    ) -> (Reply, Vec<u8>) {
        let mut request = Request::builder().method(method).uri(path);
        if !self.token.is_empty() {
            request = request.header("authorization", format!("Bearer {}", self.token));
        }
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        let response = self.router.clone().oneshot(request.body(Body::from(body)).unwrap()).await.unwrap();
        let (parts, body) = response.into_parts();
        let bytes = body.collect().await.unwrap().to_bytes();
        let text = String::from_utf8_lossy(&bytes).into_owned();
        let body = serde_json::from_slice(&bytes).unwrap_or(Value::Null);
        (Reply { status: parts.status, headers: parts.headers, body, text }, bytes.to_vec())
    }

    pub async fn get(&self, path: impl AsRef<str>) -> Reply {
        self.call("GET", path.as_ref(), &[], vec![]).await
    }

    pub async fn post(&self, path: impl AsRef<str>, body: Value) -> Reply {
        let key = format!("key-{}", NEXT_KEY.fetch_add(1, Ordering::SeqCst));
        self.post_keyed(path, &key, body).await
    }

    pub async fn post_keyed(&self, path: impl AsRef<str>, key: &str, body: Value) -> Reply {
        let headers = [("content-type", "application/json"), ("idempotency-key", key)];
        self.call("POST", path.as_ref(), &headers, body.to_string().into_bytes()).await
    }

    pub async fn change(&self, method: &str, path: impl AsRef<str>, version: i64, body: Value) -> Reply {
        let tag = format!("\"v{version}\"");
        let headers = [("content-type", "application/json"), ("if-match", tag.as_str())];
        self.call(method, path.as_ref(), &headers, body.to_string().into_bytes()).await
    }
}
