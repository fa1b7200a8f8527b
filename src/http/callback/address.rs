//! Which addresses a call may go to. Special-purpose blocks are those of the IANA registries that RFC 6890 set up (IPv4
//! and IPv6 Special-Purpose Address Registry), with multicast (RFC 5771, RFC 4291) and the addresses at which clouds
//! tell their machines about themselves.

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};

/// What an address is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Reached over the internet.
    Public,
    /// Of an institution's own network.
    Private,
    /// This machine.
    Loopback,
    /// Nothing that a FHIR server has.
    Never,
}

/// Where a listed server may be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reach {
    /// On the internet.
    Public,
    /// There, in the institution's network, or on this machine.
    Private,
    /// On this machine: the only place that is called without TLS.
    Loopback,
}

impl Reach {
    /// Whether an address may be called.
    pub fn allows(self, address: IpAddr) -> bool {
        match kind(address) {
            Kind::Public => self != Self::Loopback,
            Kind::Private => self == Self::Private,
            Kind::Loopback => self != Self::Public,
            Kind::Never => false,
        }
    }
}

/// Blocks of IPv4 that are not public: network, bits, kind, what it is.
pub const V4: &[([u8; 4], u32, Kind, &str)] = &[
    ([0, 0, 0, 0], 8, Kind::Never, "this network (RFC 791)"),
    ([10, 0, 0, 0], 8, Kind::Private, "private use (RFC 1918)"),
    ([100, 100, 100, 200], 32, Kind::Never, "cloud metadata"),
    ([100, 64, 0, 0], 10, Kind::Private, "shared, carrier-grade NAT (RFC 6598)"),
    ([127, 0, 0, 0], 8, Kind::Loopback, "loopback (RFC 1122)"),
    ([168, 63, 129, 16], 32, Kind::Never, "cloud metadata"),
    ([169, 254, 0, 0], 16, Kind::Never, "link-local, cloud metadata among them (RFC 3927)"),
    ([172, 16, 0, 0], 12, Kind::Private, "private use (RFC 1918)"),
    ([192, 0, 0, 0], 24, Kind::Never, "protocol assignments (RFC 6890)"),
    ([192, 0, 2, 0], 24, Kind::Never, "documentation (RFC 5737)"),
    ([192, 31, 196, 0], 24, Kind::Never, "AS112 (RFC 7535)"),
    ([192, 52, 193, 0], 24, Kind::Never, "automatic multicast tunnelling (RFC 7450)"),
    ([192, 88, 99, 0], 24, Kind::Never, "6to4 relay (RFC 7526)"),
    ([192, 168, 0, 0], 16, Kind::Private, "private use (RFC 1918)"),
    ([192, 175, 48, 0], 24, Kind::Never, "AS112 (RFC 7534)"),
    ([198, 18, 0, 0], 15, Kind::Never, "benchmarking (RFC 2544)"),
    ([198, 51, 100, 0], 24, Kind::Never, "documentation (RFC 5737)"),
    ([203, 0, 113, 0], 24, Kind::Never, "documentation (RFC 5737)"),
    ([224, 0, 0, 0], 4, Kind::Never, "multicast (RFC 5771)"),
    ([240, 0, 0, 0], 4, Kind::Never, "reserved and broadcast (RFC 1112, RFC 919)"),
];

/// Blocks of IPv6 that are not judged as global unicast (2000::/3), the first that fits counts.
pub const V6: &[([u16; 8], u32, Kind, &str)] = &[
    ([0, 0, 0, 0, 0, 0, 0, 1], 128, Kind::Loopback, "loopback (RFC 4291)"),
    ([0xfd00, 0x0ec2, 0, 0, 0, 0, 0, 0x254], 128, Kind::Never, "cloud metadata"),
    ([0xfc00, 0, 0, 0, 0, 0, 0, 0], 7, Kind::Private, "unique-local (RFC 4193)"),
    ([0xfe80, 0, 0, 0, 0, 0, 0, 0], 10, Kind::Never, "link-local (RFC 4291)"),
    ([0xfec0, 0, 0, 0, 0, 0, 0, 0], 10, Kind::Never, "site-local (RFC 3879)"),
    ([0xff00, 0, 0, 0, 0, 0, 0, 0], 8, Kind::Never, "multicast (RFC 4291)"),
    ([0x64, 0xff9b, 1, 0, 0, 0, 0, 0], 48, Kind::Never, "local translation (RFC 8215)"),
    ([0x100, 0, 0, 0, 0, 0, 0, 0], 64, Kind::Never, "discard (RFC 6666)"),
    ([0x2001, 0, 0, 0, 0, 0, 0, 0], 23, Kind::Never, "protocol assignments, Teredo among them (RFC 2928, RFC 4380)"),
    ([0x2001, 0xdb8, 0, 0, 0, 0, 0, 0], 32, Kind::Never, "documentation (RFC 3849)"),
    ([0x2002, 0, 0, 0, 0, 0, 0, 0], 16, Kind::Never, "6to4 (RFC 3056)"),
    ([0x2620, 0x4f, 0x8000, 0, 0, 0, 0, 0], 48, Kind::Never, "AS112 (RFC 7534)"),
    ([0x3fff, 0, 0, 0, 0, 0, 0, 0], 20, Kind::Never, "documentation (RFC 9637)"),
];

/// What an address is. One that stands for an IPv4 address, mapped or translated, is what that one is.
pub fn kind(address: IpAddr) -> Kind {
    match address {
        IpAddr::V4(v4) => kind_v4(v4),
        IpAddr::V6(v6) => match v6.segments() {
            [0, 0, 0, 0, 0, 0xffff, high, low] | [0x64, 0xff9b, 0, 0, 0, 0, high, low] => {
                kind_v4(Ipv4Addr::from(u32::from(high) << 16 | u32::from(low)))
            }
            _ => kind_v6(v6),
        },
    }
}

fn kind_v4(address: Ipv4Addr) -> Kind {
    let bits = u32::from(address);
    let within = |network: [u8; 4], length: u32| (bits ^ u32::from_be_bytes(network)) >> (32 - length) == 0;
    V4.iter().find(|(network, length, ..)| within(*network, *length)).map_or(Kind::Public, |(_, _, kind, _)| *kind)
}

fn kind_v6(address: Ipv6Addr) -> Kind {
    let bits = u128::from(address);
    let within = |network: [u16; 8], length: u32| (bits ^ u128::from(Ipv6Addr::from(network))) >> (128 - length) == 0;
    let listed = V6.iter().find(|(network, length, ..)| within(*network, *length));
    let elsewhere = if bits >> 125 == 1 { Kind::Public } else { Kind::Never };
    listed.map_or(elsewhere, |(_, _, kind, _)| *kind)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn addresses_are_told_apart() {
        for (text, expected) in [
            ("8.8.8.8", Kind::Public),
            ("9.255.255.255", Kind::Public),
            ("11.0.0.0", Kind::Public),
            ("100.63.255.255", Kind::Public),
            ("100.128.0.0", Kind::Public),
            ("126.255.255.255", Kind::Public),
            ("128.0.0.0", Kind::Public),
            ("172.15.255.255", Kind::Public),
            ("172.32.0.0", Kind::Public),
            ("192.0.1.0", Kind::Public),
            ("192.167.255.255", Kind::Public),
            ("192.169.0.0", Kind::Public),
            ("198.17.255.255", Kind::Public),
            ("198.20.0.0", Kind::Public),
            ("223.255.255.255", Kind::Public),
            ("2606:4700::1", Kind::Public),
            ("2a00::1", Kind::Public),
            ("2001:200::1", Kind::Public),
            ("::ffff:8.8.8.8", Kind::Public),
            ("64:ff9b::8.8.8.8", Kind::Public),
            ("10.0.0.0", Kind::Private),
            ("10.255.255.255", Kind::Private),
            ("100.64.0.1", Kind::Private),
            ("100.127.255.255", Kind::Private),
            ("172.16.0.1", Kind::Private),
            ("172.31.255.255", Kind::Private),
            ("192.168.0.1", Kind::Private),
            ("fc00::1", Kind::Private),
            ("fdff::1", Kind::Private),
            ("::ffff:10.0.0.1", Kind::Private),
            ("64:ff9b::192.168.0.1", Kind::Private),
            ("127.0.0.1", Kind::Loopback),
            ("127.255.255.254", Kind::Loopback),
            ("::1", Kind::Loopback),
            ("::ffff:127.0.0.1", Kind::Loopback),
            ("::ffff:7f00:1", Kind::Loopback),
            ("0.0.0.0", Kind::Never),
            ("0.1.2.3", Kind::Never),
            ("169.254.169.254", Kind::Never),
            ("::ffff:169.254.169.254", Kind::Never),
            ("64:ff9b::169.254.169.254", Kind::Never),
            ("100.100.100.200", Kind::Never),
            ("168.63.129.16", Kind::Never),
            ("192.0.0.192", Kind::Never),
            ("192.0.2.1", Kind::Never),
            ("192.88.99.1", Kind::Never),
            ("198.18.0.1", Kind::Never),
            ("198.19.255.255", Kind::Never),
            ("198.51.100.1", Kind::Never),
            ("203.0.113.1", Kind::Never),
            ("224.0.0.1", Kind::Never),
            ("239.255.255.255", Kind::Never),
            ("240.0.0.1", Kind::Never),
            ("255.255.255.255", Kind::Never),
            ("::", Kind::Never),
            ("::127.0.0.1", Kind::Never),
            ("fe80::1", Kind::Never),
            ("febf::1", Kind::Never),
            ("fec0::1", Kind::Never),
            ("ff02::1", Kind::Never),
            ("fd00:ec2::254", Kind::Never),
            ("64:ff9b:1::1", Kind::Never),
            ("100::1", Kind::Never),
            ("2001::1", Kind::Never),
            ("2001:1ff::1", Kind::Never),
            ("2001:db8::1", Kind::Never),
            ("2002:7f00:1::1", Kind::Never),
            ("3fff::1", Kind::Never),
            ("4000::1", Kind::Never),
            ("5f00::1", Kind::Never),
            ("1::1", Kind::Never),
        ] {
            assert_eq!(kind(text.parse().unwrap()), expected, "{text}");
        }
    }

    #[test]
    fn blocks_are_found_by_their_first_and_last_address() {
        for (network, length, expected, what) in V4 {
            let first = u32::from_be_bytes(*network);
            let last = first | u32::MAX.checked_shr(*length).unwrap_or(0);
            assert_eq!(first & u32::MAX.checked_shr(*length).unwrap_or(0), 0, "{what}: bits behind the block");
            for address in [first, last] {
                assert_eq!(kind(IpAddr::V4(address.into())), *expected, "{what}");
            }
        }
        for (network, length, expected, what) in V6 {
            let first = u128::from(Ipv6Addr::from(*network));
            let last = first | u128::MAX.checked_shr(*length).unwrap_or(0);
            for address in [first, last] {
                assert_eq!(kind(IpAddr::V6(address.into())), *expected, "{what}");
            }
        }
    }

    #[test]
    fn each_reach_allows_what_it_says() {
        let of = |reach: Reach| {
            ["8.8.8.8", "10.0.0.1", "127.0.0.1", "169.254.169.254"].map(|a| reach.allows(a.parse().unwrap()))
        };
        assert_eq!(of(Reach::Public), [true, false, false, false]);
        assert_eq!(of(Reach::Private), [true, true, true, false]);
        assert_eq!(of(Reach::Loopback), [false, false, true, false]);
    }
}
