//! Where a webhook may go: no address that is private, special or inside, unless it was listed.
//!
//! The resolved address is judged, right before the connection to it, never the name. `core::net`
//! holds types only and opens nothing.

use core::net::{IpAddr, Ipv4Addr, Ipv6Addr};

/// A range of addresses, as `10.20.0.0/16`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Range {
    network: IpAddr,
    prefix: u8,
}

/// A text that is no range.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("`{}` is no range; write it as 10.20.0.0/16, 192.168.7.5/32 or fd00:7::/64", .0.escape_debug())]
pub struct NoRange(String);

impl Range {
    /// Reads a range; a single address is one too. Bits after the prefix must be 0.
    ///
    /// # Errors
    /// `NoRange` for anything else.
    pub fn parse(text: &str) -> Result<Self, NoRange> {
        let wrong = || NoRange(text.to_owned());
        let (address, prefix) = match text.split_once('/') {
            Some((address, prefix)) => (address, Some(prefix)),
            None => (text, None),
        };
        let network: IpAddr = address.parse().map_err(|_| wrong())?;
        let most = if network.is_ipv4() { 32 } else { 128 };
        let prefix = match prefix {
            Some(digits) if digits.bytes().all(|c| c.is_ascii_digit()) => {
                digits.parse().map_err(|_| wrong())?
            }
            Some(_) => return Err(wrong()),
            None => most,
        };
        let range = Self { network, prefix };
        let clean = match network {
            IpAddr::V4(v4) => v4.to_bits() & !mask4(prefix) == 0,
            IpAddr::V6(v6) => v6.to_bits() & !mask6(prefix) == 0,
        };
        if prefix > most || !clean {
            return Err(wrong());
        }
        Ok(range)
    }

    /// Whether an address lies in it. Families are never mixed.
    #[must_use]
    pub fn contains(&self, ip: IpAddr) -> bool {
        match (self.network, ip) {
            (IpAddr::V4(network), IpAddr::V4(ip)) => in4(ip, network, self.prefix),
            (IpAddr::V6(network), IpAddr::V6(ip)) => in6(ip, network, self.prefix),
            _ => false,
        }
    }
}

fn mask4(prefix: u8) -> u32 {
    u32::MAX
        .checked_shl(32_u32.saturating_sub(u32::from(prefix)))
        .unwrap_or(0)
}

fn mask6(prefix: u8) -> u128 {
    u128::MAX
        .checked_shl(128_u32.saturating_sub(u32::from(prefix)))
        .unwrap_or(0)
}

fn in4(ip: Ipv4Addr, network: Ipv4Addr, prefix: u8) -> bool {
    (ip.to_bits() ^ network.to_bits()) & mask4(prefix) == 0
}

fn in6(ip: Ipv6Addr, network: Ipv6Addr, prefix: u8) -> bool {
    (ip.to_bits() ^ network.to_bits()) & mask6(prefix) == 0
}

/// Special IPv4 ranges. Source: IANA IPv4 Special-Purpose Address Registry (RFC 6890 and later);
/// multicast: RFC 5771. A few of them are reachable (AS112, AMT); no webhook lives there.
const SPECIAL4: [(Ipv4Addr, u8); 18] = [
    (Ipv4Addr::UNSPECIFIED, 8),
    (Ipv4Addr::new(10, 0, 0, 0), 8),
    (Ipv4Addr::new(100, 64, 0, 0), 10),
    (Ipv4Addr::new(127, 0, 0, 0), 8),
    (Ipv4Addr::new(169, 254, 0, 0), 16),
    (Ipv4Addr::new(172, 16, 0, 0), 12),
    (Ipv4Addr::new(192, 0, 0, 0), 24),
    (Ipv4Addr::new(192, 0, 2, 0), 24),
    (Ipv4Addr::new(192, 31, 196, 0), 24),
    (Ipv4Addr::new(192, 52, 193, 0), 24),
    (Ipv4Addr::new(192, 88, 99, 0), 24),
    (Ipv4Addr::new(192, 168, 0, 0), 16),
    (Ipv4Addr::new(192, 175, 48, 0), 24),
    (Ipv4Addr::new(198, 18, 0, 0), 15),
    (Ipv4Addr::new(198, 51, 100, 0), 24),
    (Ipv4Addr::new(203, 0, 113, 0), 24),
    (Ipv4Addr::new(224, 0, 0, 0), 4),
    (Ipv4Addr::new(240, 0, 0, 0), 4),
];

/// Global unicast, RFC 4291; what lies outside is loopback, mapped, local, multicast or unassigned.
const GLOBAL6: (Ipv6Addr, u8) = (Ipv6Addr::new(0x2000, 0, 0, 0, 0, 0, 0, 0), 3);

/// Special IPv6 ranges inside global unicast. Source: IANA IPv6 Special-Purpose Address Registry:
/// protocol assignments (Teredo, benchmarking, ORCHID), documentation (two), 6to4, AS112.
const SPECIAL6: [(Ipv6Addr, u8); 5] = [
    (Ipv6Addr::new(0x2001, 0, 0, 0, 0, 0, 0, 0), 23),
    (Ipv6Addr::new(0x2001, 0xdb8, 0, 0, 0, 0, 0, 0), 32),
    (Ipv6Addr::new(0x2002, 0, 0, 0, 0, 0, 0, 0), 16),
    (Ipv6Addr::new(0x2620, 0x4f, 0x8000, 0, 0, 0, 0, 0), 48),
    (Ipv6Addr::new(0x3fff, 0, 0, 0, 0, 0, 0, 0), 20),
];

/// Addresses that stand for an IPv4 one behind a translator, RFC 6052.
const TRANSLATED: (Ipv6Addr, u8) = (Ipv6Addr::new(0x64, 0xff9b, 0, 0, 0, 0, 0, 0), 96);

/// Whether a webhook may be sent to this address; `listed` are the ranges an operator allows.
#[must_use]
pub fn allowed(ip: IpAddr, listed: &[Range]) -> bool {
    listed.iter().any(|range| range.contains(ip)) || is_public(ip)
}

fn is_public(ip: IpAddr) -> bool {
    match ip {
        IpAddr::V4(v4) => !SPECIAL4
            .iter()
            .any(|(network, prefix)| in4(v4, *network, *prefix)),
        IpAddr::V6(v6) if in6(v6, TRANSLATED.0, TRANSLATED.1) => {
            let low = u32::try_from(v6.to_bits() & u128::from(u32::MAX)).unwrap_or(0);
            is_public(IpAddr::V4(Ipv4Addr::from_bits(low)))
        }
        IpAddr::V6(v6) => {
            in6(v6, GLOBAL6.0, GLOBAL6.1)
                && !SPECIAL6
                    .iter()
                    .any(|(network, prefix)| in6(v6, *network, *prefix))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ip(text: &str) -> IpAddr {
        text.parse().unwrap()
    }

    // Source: IANA IPv4 and IPv6 Special-Purpose Address Registries (RFC 6890, 8190, 9637, 9602),
    // each range by its first and last address; multicast RFC 5771 and RFC 4291; site-local RFC 3879.
    #[test]
    fn no_special_address_is_allowed() {
        for text in [
            "0.0.0.0",
            "0.255.255.255",
            "10.0.0.0",
            "10.255.255.255",
            "100.64.0.0",
            "100.127.255.255",
            "127.0.0.1",
            "127.255.255.255",
            "169.254.0.0",
            "169.254.169.254",
            "172.16.0.0",
            "172.31.255.255",
            "192.0.0.0",
            "192.0.0.9",
            "192.0.0.170",
            "192.0.2.0",
            "192.0.2.255",
            "192.31.196.1",
            "192.52.193.1",
            "192.88.99.1",
            "192.168.0.0",
            "192.168.255.255",
            "192.175.48.1",
            "198.18.0.0",
            "198.19.255.255",
            "198.51.100.7",
            "203.0.113.255",
            "224.0.0.1",
            "239.255.255.255",
            "240.0.0.0",
            "255.255.255.255",
            "::",
            "::1",
            "::10.0.0.1",
            "::ffff:10.0.0.1",
            "::ffff:8.8.8.8",
            "64:ff9b::10.0.0.1",
            "64:ff9b::7f00:1",
            "64:ff9b:1::1",
            "100::1",
            "100:0:0:1::1",
            "2001::1",
            "2001:2::1",
            "2001:10::1",
            "2001:20::1",
            "2001:1ff:ffff::1",
            "2001:db8::1",
            "2002:a00:1::1",
            "2620:4f:8000::1",
            "3fff::1",
            "3fff:fff::1",
            "5f00::1",
            "fc00::1",
            "fdff::1",
            "fe80::1",
            "febf::1",
            "fec0::1",
            "ff02::1",
            "ffff::1",
        ] {
            assert!(!allowed(ip(text), &[]), "{text}");
        }
    }

    // Neighbours of the ranges above, and public resolvers' well-known addresses.
    #[test]
    fn public_addresses_and_the_neighbours_of_special_ones_are_allowed() {
        for text in [
            "1.1.1.1",
            "8.8.8.8",
            "9.255.255.255",
            "11.0.0.0",
            "100.63.255.255",
            "100.128.0.0",
            "126.255.255.255",
            "128.0.0.0",
            "169.253.255.255",
            "169.255.0.0",
            "172.15.255.255",
            "172.32.0.0",
            "192.0.1.0",
            "192.0.3.0",
            "192.167.255.255",
            "192.169.0.0",
            "198.17.255.255",
            "198.20.0.0",
            "223.255.255.255",
            "2001:200::1",
            "2001:4860:4860::8888",
            "2003::1",
            "2606:4700:4700::1111",
            "3ffe::1",
            "64:ff9b::808:808",
        ] {
            assert!(allowed(ip(text), &[]), "{text}");
        }
    }

    #[test]
    fn a_listed_range_is_allowed_and_only_that() {
        let listed = [
            Range::parse("10.20.0.0/16").unwrap(),
            Range::parse("fd00:7::/64").unwrap(),
        ];
        assert!(allowed(ip("10.20.255.1"), &listed));
        assert!(allowed(ip("fd00:7::9"), &listed));
        assert!(!allowed(ip("10.21.0.1"), &listed));
        assert!(
            !allowed(ip("::ffff:10.20.0.1"), &listed),
            "mapped is another address"
        );
        assert!(!allowed(ip("fd00:7:0:1::9"), &listed));
        let one = [Range::parse("192.168.7.5").unwrap()];
        assert!(allowed(ip("192.168.7.5"), &one) && !allowed(ip("192.168.7.6"), &one));
    }

    #[test]
    fn a_range_is_written_exactly() {
        for text in [
            "",
            "10.0.0.0/33",
            "10.0.0.1/8",
            "::/129",
            "10.0.0.0/",
            "10.0.0.0/+8",
            "10/8",
            "x",
        ] {
            assert!(Range::parse(text).is_err(), "{text}");
        }
        let all = Range::parse("0.0.0.0/0").unwrap();
        assert!(all.contains(ip("127.0.0.1")) && !all.contains(ip("::1")));
    }
}
