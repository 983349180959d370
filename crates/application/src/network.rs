//! Where callers come from, as far as it is counted and told.

use std::net::{IpAddr, Ipv6Addr};

/// An address, as it is counted: of IPv6 the network of 64 bits, since whoever has one address of it has them all
/// (RFC 6177; RFC 4291 section 2.5.4).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Network(IpAddr);

impl Network {
    /// That of an address.
    #[must_use]
    pub fn of(address: IpAddr) -> Self {
        Self(match address.to_canonical() {
            IpAddr::V6(address) => Ipv6Addr::from_bits(address.to_bits() & (u128::MAX << 64)).into(),
            v4 @ IpAddr::V4(_) => v4,
        })
    }

    /// As bytes, to be hashed with something else.
    #[must_use]
    pub fn bytes(&self) -> Vec<u8> {
        match self.0 {
            IpAddr::V4(address) => address.octets().to_vec(),
            IpAddr::V6(address) => address.octets().to_vec(),
        }
    }
}

/// As it is told: truncated, to 24 bits of IPv4 and 48 of IPv6, so that it names no household.
impl std::fmt::Display for Network {
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self.0 {
            IpAddr::V4(address) => {
                let [a, b, c, _] = address.octets();
                write!(out, "{a}.{b}.{c}.0/24")
            }
            IpAddr::V6(address) => {
                write!(out, "{}/48", Ipv6Addr::from_bits(address.to_bits() & (u128::MAX << 80)))
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_household_is_one_and_is_not_named() {
        let of = |text: &str| Network::of(text.parse().unwrap());
        assert_eq!(of("2001:db8:1:2::7"), of("2001:db8:1:2:ffff::"));
        assert_ne!(of("2001:db8:1:2::7"), of("2001:db8:1:3::7"));
        assert_ne!(of("192.0.2.1"), of("192.0.2.2"));
        assert_eq!(of("::ffff:192.0.2.1"), of("192.0.2.1"));
        assert_eq!(of("192.0.2.1").to_string(), "192.0.2.0/24");
        assert_eq!(of("2001:db8:1:2::7").to_string(), "2001:db8:1::/48");
    }
}
