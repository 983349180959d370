//! The log as it is served, over HTTP.

pub use crate::cli::client::{NotReached, Program};

use crate::cli::client::Service;
use evidence_log::tile::{Content, TilePath};

/// A client of the log of one service.
pub struct Client {
    service: Service,
    /// Where the log is below the address.
    prefix: String,
}

impl Client {
    /// The first log of a service is under `/log`, the others under `/log/2` and so on.
    pub fn new(address: &str, log: u16, program: Program) -> Self {
        let prefix = if log == 1 { "/log".to_owned() } else { format!("/log/{log}") };
        Self { service: Service::new(address, program), prefix }
    }

    /// The published checkpoint.
    pub fn checkpoint(&self) -> Result<String, NotReached> {
        let path = format!("{}/checkpoint", self.prefix);
        let bytes = self.service.read(&path)?;
        String::from_utf8(bytes).map_err(|_| NotReached::new(&path, "it is not text"))
    }

    /// A tile or a bundle; entries are for auditors.
    pub fn tile(&self, tile: TilePath) -> Result<Vec<u8>, NotReached> {
        let path = format!("{}/{tile}", self.prefix);
        match tile.content {
            Content::Entries => self.service.read_signed_in(&path),
            Content::Hashes(_) => self.service.read(&path),
        }
    }
}
