//! Accounts of the town: what is sent to their addresses, passwords, second factors.

use serde_json::json;

use crate::harness::{Actor, PASSWORD, Town, address_of};
use application::outside::Clock;
use application::people::invitations;
use application::people::sessions::shown_once;

impl Town {
    /// What waits to be sent, by whoever sends it: each address with its token.
    pub async fn sent(&self) -> Vec<(String, String)> {
        let sent = invitations::send(&self.app).await.unwrap();
        sent.into_iter().map(|one| (one.email, shown_once(&one.token))).collect()
    }

    /// The token that waits to be sent to an address.
    pub async fn token_for(&self, address: &str) -> String {
        let mut tokens = self.sent().await.into_iter().filter(|(email, _)| email == address);
        let (_, token) = tokens.next().unwrap_or_else(|| panic!("nothing waits for {address}"));
        assert!(tokens.next().is_none(), "one waits for {address}");
        token
    }

    /// A person with an account whose password is [`PASSWORD`], signed in.
    pub async fn account(&self, name: &str) -> Actor {
        let person = self.person(name).await;
        let token = self.token_for(&address_of(name)).await;
        let accept = json!({"token": token, "password": PASSWORD});
        let accepted = self.anon.post("/v1/invitations/accept", accept).await;
        assert_eq!(accepted.status, 204, "{}", accepted.text);
        self.signed_in(&person.id).await
    }

    /// Sets up a second factor for somebody with an account: its secret and its recovery codes. The sessions end.
    pub async fn second_factor(&self, who: &Actor) -> (String, Vec<String>) {
        let drawn = who.post("/v1/me/second-factor/draw", json!({})).await.expect(200);
        let secret = drawn["secret"].as_str().unwrap().to_owned();
        let set = json!({"password": PASSWORD, "secret": secret, "code": self.code(&secret)});
        let set = who.post("/v1/me/second-factor", set).await.expect(200);
        let codes = set["recovery_codes"].as_array().unwrap();
        (secret, codes.iter().map(|code| code.as_str().unwrap().to_owned()).collect())
    }

    /// The code of a second factor for now.
    pub fn code(&self, secret: &str) -> String {
        let bytes = totp_rs::Secret::Encoded(secret.to_owned()).to_bytes().unwrap();
        let totp = totp_rs::TOTP::new(totp_rs::Algorithm::SHA1, 6, 1, 30, bytes, None, "x".into()).unwrap();
        totp.generate(u64::try_from(self.clock.now().unix_timestamp()).unwrap())
    }
}
