//! Identities as URIs, by the SPIFFE standard: "The SPIFFE Identity and Verifiable Identity Document" (SPIFFE-ID), sections
//! 2 to 2.3. What the path means is ours:
//!
//! ```text
//! spiffe://TRUST-DOMAIN/vehicle/NAME
//! spiffe://TRUST-DOMAIN/person/NAME/role/ROLE        ROLE: operator, engineer or administrator
//! ```

use coldbrake_engine::ids::{IDENTIFIER_RULE, is_identifier};

use super::{Peer, Role};

/// Most bytes of an identity, and of its trust domain (SPIFFE-ID 2.3).
const MAX_ID: usize = 2_048;
const MAX_TRUST_DOMAIN: usize = 255;

/// Why a URI names nobody here: lower case, no full stop.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum SpiffeError {
    /// It breaks a rule of the standard.
    #[error("`{uri}` is no SPIFFE ID: {rule}")]
    Malformed {
        /// The URI, cut.
        uri: String,
        /// The rule.
        rule: &'static str,
    },
    /// It belongs to somebody else's trust domain.
    #[error("its trust domain is `{found}`, and this server serves `{expected}`")]
    Foreign {
        /// Its trust domain.
        found: String,
        /// The one served.
        expected: String,
    },
    /// Its path has no meaning here.
    #[error(
        "the path `{path}` names neither a vehicle (/vehicle/NAME) nor a person (/person/NAME/role/ROLE)"
    )]
    Path {
        /// The path, cut.
        path: String,
    },
    /// The name in it may not be one.
    #[error("the name `{name}` {IDENTIFIER_RULE}")]
    Name {
        /// The name, cut.
        name: String,
    },
    /// The role is none.
    #[error("there is no role `{role}` for a person: it is operator, engineer or administrator")]
    Role {
        /// The role, cut.
        role: String,
    },
}

/// A well-formed identity.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SpiffeId<'a> {
    /// Trust domain.
    pub trust_domain: &'a str,
    /// Path, beginning with a slash; empty without one.
    pub path: &'a str,
}

impl<'a> SpiffeId<'a> {
    /// Reads an identity by the rules of the standard.
    ///
    /// ```
    /// use coldbrake_server::identity::spiffe::SpiffeId;
    /// let id = SpiffeId::parse("spiffe://fleet.example/vehicle/van-07")?;
    /// assert_eq!((id.trust_domain, id.path), ("fleet.example", "/vehicle/van-07"));
    /// assert!(SpiffeId::parse("spiffe://fleet.example:443/vehicle/van-07").is_err());
    /// # Ok::<(), coldbrake_server::identity::spiffe::SpiffeError>(())
    /// ```
    pub fn parse(uri: &'a str) -> Result<Self, SpiffeError> {
        let broken = |rule| SpiffeError::Malformed { uri: cut(uri), rule };
        if uri.len() > MAX_ID {
            return Err(broken("it is longer than 2048 bytes"));
        }
        let rest = uri
            .strip_prefix("spiffe://")
            .ok_or_else(|| broken("it must begin with spiffe://"))?;
        if rest.contains(['?', '#']) {
            return Err(broken("it must have neither a query nor a fragment"));
        }
        let (trust_domain, path) = rest.split_at(rest.find('/').unwrap_or(rest.len()));
        if trust_domain.contains(['@', ':']) {
            return Err(broken("its trust domain must have neither user nor port"));
        }
        trust_domain_rule(trust_domain).map_err(broken)?;
        if let Some(segments) = path.strip_prefix('/') {
            for segment in segments.split('/') {
                if segment.is_empty() {
                    return Err(broken("its path must have no empty part and no slash at the end"));
                }
                if segment == "." || segment == ".." {
                    return Err(broken("its path must not have `.` or `..` as a part"));
                }
                if !segment
                    .bytes()
                    .all(|b| b.is_ascii_alphanumeric() || b"-._".contains(&b))
                {
                    return Err(broken("its path must consist of a-z, A-Z, 0-9, '-', '.' and '_'"));
                }
            }
        }
        Ok(Self { trust_domain, path })
    }

    /// Returns whom the identity names to a server of this trust domain.
    pub fn peer(&self, trust_domain: &str) -> Result<Peer, SpiffeError> {
        if self.trust_domain != trust_domain {
            return Err(SpiffeError::Foreign {
                found: cut(self.trust_domain),
                expected: trust_domain.to_owned(),
            });
        }
        let name = |name: &str| {
            if is_identifier(name) {
                Ok(name.into())
            } else {
                Err(SpiffeError::Name { name: cut(name) })
            }
        };
        let parts: Vec<&str> = self.path.split('/').skip(1).collect();
        match parts[..] {
            ["vehicle", vehicle] => Ok(Peer::Vehicle { name: name(vehicle)? }),
            ["person", person, "role", role] => match role.parse() {
                Ok(role) if role != Role::Vehicle => Ok(Peer::Person {
                    name: name(person)?,
                    role,
                }),
                _ => Err(SpiffeError::Role { role: cut(role) }),
            },
            _ => Err(SpiffeError::Path { path: cut(self.path) }),
        }
    }
}

/// Returns the rule that a trust domain breaks, if any.
pub fn trust_domain_rule(trust_domain: &str) -> Result<(), &'static str> {
    if trust_domain.is_empty() {
        return Err("its trust domain is empty");
    }
    if trust_domain.len() > MAX_TRUST_DOMAIN {
        return Err("its trust domain is longer than 255 bytes");
    }
    if !trust_domain
        .bytes()
        .all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b"-._".contains(&b))
    {
        return Err("its trust domain must consist of a-z, 0-9, '-', '.' and '_'");
    }
    Ok(())
}

/// Returns the URI of a vehicle.
pub fn vehicle_uri(trust_domain: &str, name: &str) -> String {
    format!("spiffe://{trust_domain}/vehicle/{name}")
}

/// Returns the URI of a person.
pub fn person_uri(trust_domain: &str, name: &str, role: Role) -> String {
    format!("spiffe://{trust_domain}/person/{name}/role/{role}")
}

/// Cuts what a stranger wrote to what a message holds, without what a terminal would obey.
fn cut(text: &str) -> String {
    const MOST: usize = 80;
    let mut short: String = text
        .chars()
        .take(MOST)
        .map(|c| if c.is_ascii_graphic() { c } else { '?' })
        .collect();
    if text.chars().nth(MOST).is_some() {
        short.push('…');
    }
    short
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const DOMAIN: &str = "fleet.example";

    fn peer(uri: &str) -> Result<Peer, SpiffeError> {
        SpiffeId::parse(uri)?.peer(DOMAIN)
    }

    #[test]
    fn a_vehicle_and_persons_are_read() {
        assert_eq!(
            peer("spiffe://fleet.example/vehicle/van-07"),
            Ok(Peer::Vehicle {
                name: "van-07".into()
            })
        );
        for role in [Role::Operator, Role::Engineer, Role::Administrator] {
            assert_eq!(
                peer(&person_uri(DOMAIN, "mira", role)),
                Ok(Peer::Person {
                    name: "mira".into(),
                    role
                })
            );
        }
    }

    /// One case for each sentence of SPIFFE-ID 2, 2.1, 2.2 and 2.3.
    #[test]
    fn what_the_standard_forbids_is_refused() {
        let long_domain = format!("spiffe://{}/vehicle/a", "a".repeat(256));
        let long = format!("spiffe://a/{}", "b".repeat(2_048));
        for uri in [
            "",
            "spiffe:",
            "spiffe:///vehicle/a",
            "https://fleet.example/vehicle/a",
            "SPIFFE://fleet.example/vehicle/a",
            "spiffe:/fleet.example/vehicle/a",
            "spiffe://fleet.example/vehicle/a?x=1",
            "spiffe://fleet.example/vehicle/a?",
            "spiffe://fleet.example/vehicle/a#x",
            "spiffe://user@fleet.example/vehicle/a",
            "spiffe://fleet.example:443/vehicle/a",
            "spiffe://fleet.example:/vehicle/a",
            "spiffe://Fleet.example/vehicle/a",
            "spiffe://fleet%2eexample/vehicle/a",
            "spiffe://flöte.example/vehicle/a",
            "spiffe://[::1]/vehicle/a",
            "spiffe://fleet.example/",
            "spiffe://fleet.example/vehicle/a/",
            "spiffe://fleet.example//vehicle/a",
            "spiffe://fleet.example/vehicle//a",
            "spiffe://fleet.example/vehicle/./a",
            "spiffe://fleet.example/person/../vehicle/a",
            "spiffe://fleet.example/vehicle/%61",
            "spiffe://fleet.example/vehicle/ä",
            "spiffe://fleet.example/vehicle/a b",
            "spiffe://fleet.example/vehicle/a\0",
            " spiffe://fleet.example/vehicle/a",
            &long_domain,
            &long,
        ] {
            assert!(
                matches!(SpiffeId::parse(uri), Err(SpiffeError::Malformed { .. })),
                "taken: {uri}"
            );
        }
        // Well formed, and nobody here.
        let foreign = peer("spiffe://fleet.example.evil/vehicle/a").unwrap_err();
        assert!(matches!(foreign, SpiffeError::Foreign { .. }));
        for path in [
            "",
            "/vehicle",
            "/vehicle/a/b",
            "/person/mira",
            "/person/mira/role",
            "/Vehicle/a",
            "/server/a",
        ] {
            let uri = format!("spiffe://fleet.example{path}");
            assert!(matches!(peer(&uri), Err(SpiffeError::Path { .. })), "{path}");
        }
        assert!(matches!(
            peer("spiffe://fleet.example/vehicle/VAN"),
            Err(SpiffeError::Name { .. })
        ));
        for role in ["vehicle", "Engineer", "root"] {
            let uri = format!("spiffe://fleet.example/person/mira/role/{role}");
            assert!(matches!(peer(&uri), Err(SpiffeError::Role { .. })), "{role}");
        }
    }

    proptest! {
        /// Nothing is read out of a URI that is not written in it, letter by letter.
        #[test]
        fn whoever_is_named_stands_in_the_uri(uri in "\\PC{0,40}|spiffe://[a-z.:@]{0,12}(/[a-z.%]{0,6}){0,5}|spiffe://fleet.example/(vehicle|person)/[a-zA-Z.-]{0,5}(/role/(operator|engineer|vehicle))?") {
            match peer(&uri) {
                Ok(Peer::Vehicle { name }) => prop_assert_eq!(uri, vehicle_uri(DOMAIN, &name)),
                Ok(Peer::Person { name, role }) => prop_assert_eq!(uri, person_uri(DOMAIN, &name, role)),
                Ok(other) => prop_assert!(false, "{:?}", other),
                Err(error) => prop_assert!(error.to_string().len() < 400),
            }
        }
    }
}
