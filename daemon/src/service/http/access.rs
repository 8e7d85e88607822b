//! Who may ask for what.
//!
//! On a loopback address everybody on this machine may read and control; any other address, and a
//! reverse proxy, needs tokens. A cut needs the lesser token only: nobody who may look is kept from
//! cutting. Pages of other sites are kept out by the Host and Origin headers, and because a change
//! needs a JSON body, which a foreign page can't send unasked.

use std::collections::HashMap;
use std::net::{IpAddr, Ipv6Addr};
use std::sync::{Arc, Mutex, PoisonError};

use axum::Extension;
use axum::extract::Request;
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::Response;
use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use sha2::{Digest, Sha256};

use super::problem::Problem;
use super::{State, Web};
use crate::clock::Clock;

/// Shortest token that a person may choose.
const TOKEN_CHARS_MIN: usize = 16;
/// Wrong tokens from one address within [`WINDOW_US`] before it is told to wait.
const WRONG_MAX: u32 = 10;
const WINDOW_US: u64 = 60_000_000;
/// Addresses remembered for their wrong tokens; with more, all are forgotten.
const ADDRESSES_MAX: usize = 1024;

/// Who may use the page.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct PageAccess {
    /// Ask for a token on a loopback address too: for a reverse proxy.
    pub always_token: bool,
    /// Token that may do everything; a new one when absent.
    pub control_token: Option<String>,
    /// Token that may look, and cut; a new one when absent.
    pub read_token: Option<String>,
}

/// Tokens in force.
#[derive(Clone, PartialEq, Eq)]
pub(in crate::service) struct PageTokens {
    /// May do everything.
    pub(super) control: String,
    /// May look, and cut.
    pub(super) read: String,
}

impl std::fmt::Debug for PageTokens {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("PageTokens")
    }
}

/// The client.
#[derive(Debug, Clone, Copy)]
pub(super) struct Peer {
    /// Its address.
    pub(super) address: IpAddr,
    /// Whether it is on this machine.
    pub(super) here: bool,
}

/// What the request may do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "snake_case")]
pub(super) enum Level {
    /// Look, and cut.
    Read,
    /// Everything.
    Control,
}

/// The rules, and who broke them lately.
#[derive(Debug)]
pub(in crate::service) struct Access {
    tokens: Option<PageTokens>,
    clock: Clock,
    wrong: Mutex<Wrong>,
}

#[derive(Debug, Default)]
struct Wrong {
    total: u64,
    addresses: HashMap<IpAddr, (u64, u32)>,
}

impl Access {
    /// # Errors
    /// When a chosen token is too short or holds signs that a header can't.
    pub(in crate::service) fn new(
        wanted: &PageAccess,
        address: IpAddr,
        clock: Clock,
    ) -> Result<Self, String> {
        let needed = wanted.always_token || !address.is_loopback();
        let tokens = if needed {
            let tokens = PageTokens {
                control: token("control token", wanted.control_token.as_deref())?,
                read: token("read token", wanted.read_token.as_deref())?,
            };
            if tokens.control == tokens.read {
                return Err("the control token and the read token are the same".to_owned());
            }
            Some(tokens)
        } else {
            None
        };
        Ok(Self {
            tokens,
            clock,
            wrong: Mutex::default(),
        })
    }

    pub(in crate::service) fn tokens(&self) -> Option<&PageTokens> {
        self.tokens.as_ref()
    }

    pub(super) fn wrong_tokens(&self) -> u64 {
        self.wrong
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .total
    }

    pub(super) fn clock(&self) -> Clock {
        self.clock
    }

    /// What the token that a request brings lets it do.
    pub(super) fn level(&self, given: Option<&str>, peer: IpAddr) -> Result<Level, Problem> {
        let Some(tokens) = &self.tokens else {
            return Ok(Level::Control);
        };
        let Some(given) = given else {
            return Err(Problem::new(
                StatusCode::UNAUTHORIZED,
                "a token is needed, as the header Authorization: Bearer TOKEN; the file `tokens` in the store's folder has it",
            ));
        };
        // A right token passes whoever else guesses from the same address: a cut must get through.
        if same(given, &tokens.control) {
            return Ok(Level::Control);
        }
        if same(given, &tokens.read) {
            return Ok(Level::Read);
        }
        let wait_s = self
            .wrong
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .count(peer, self.clock.now().mono_us);
        Err(match wait_s {
            None => Problem::new(StatusCode::UNAUTHORIZED, "this token is not in force"),
            Some(seconds) => Problem::new(
                StatusCode::TOO_MANY_REQUESTS,
                "too many wrong tokens from this address",
            )
            .later(seconds),
        })
    }
}

impl Wrong {
    /// Counts a wrong token; the seconds to wait when there were too many.
    fn count(&mut self, peer: IpAddr, now_us: u64) -> Option<u64> {
        self.total += 1;
        if self.addresses.len() >= ADDRESSES_MAX {
            self.addresses.clear();
        }
        let (since_us, count) = self.addresses.entry(network(peer)).or_insert((now_us, 0));
        if now_us.saturating_sub(*since_us) >= WINDOW_US {
            (*since_us, *count) = (now_us, 0);
        }
        *count = count.saturating_add(1);
        (*count > WRONG_MAX).then(|| {
            (*since_us + WINDOW_US)
                .saturating_sub(now_us)
                .div_ceil(1_000_000)
                .max(1)
        })
    }
}

/// The address, or for IPv6 the network that one household has.
pub(super) fn network(peer: IpAddr) -> IpAddr {
    match peer {
        IpAddr::V4(_) => peer,
        IpAddr::V6(address) => {
            let bits = address.to_bits() & (u128::MAX << 64);
            IpAddr::V6(Ipv6Addr::from_bits(bits))
        }
    }
}

fn token(name: &str, wanted: Option<&str>) -> Result<String, String> {
    let Some(wanted) = wanted else {
        let mut bytes = [0; 16];
        getrandom::fill(&mut bytes)
            .map_err(|error| format!("the system gives no random numbers: {error}"))?;
        return Ok(URL_SAFE_NO_PAD.encode(bytes));
    };
    if wanted.len() < TOKEN_CHARS_MIN || !wanted.bytes().all(|byte| byte.is_ascii_graphic()) {
        return Err(format!(
            "the {name}: expected at least {TOKEN_CHARS_MIN} letters, digits and signs without spaces, found {} characters",
            wanted.chars().count()
        ));
    }
    Ok(wanted.to_owned())
}

/// Compares by hash, so that the time it takes tells nothing of the token.
fn same(given: &str, token: &str) -> bool {
    Sha256::digest(given) == Sha256::digest(token)
}

/// Keeps out requests that another site's page makes, and other names for this machine.
pub(super) async fn same_origin(
    axum::extract::State(web): State,
    request: Request,
    next: Next,
) -> Result<Response, Problem> {
    let headers = request.headers();
    let text = |name| {
        headers
            .get(name)
            .and_then(|value: &HeaderValue| value.to_str().ok())
    };
    let Some(host) = text(header::HOST) else {
        return Err(Problem::new(
            StatusCode::BAD_REQUEST,
            "the Host header is missing",
        ));
    };
    // Without tokens the name is what tells this page from a site whose name was pointed here.
    if web.access.tokens.is_none() && !is_this_machine(host) {
        return Err(Problem::forbidden(format!(
            "the page is for this machine only: ask for localhost, not {host:?}"
        )));
    }
    let changes = !matches!(
        *request.method(),
        Method::GET | Method::HEAD | Method::OPTIONS
    );
    if changes {
        let foreign_site = text(header::HeaderName::from_static("sec-fetch-site"))
            .is_some_and(|site| site != "same-origin" && site != "none");
        let foreign_origin = headers.get(header::ORIGIN).is_some_and(|origin| {
            let origin = origin.to_str().unwrap_or_default();
            let authority = origin
                .strip_prefix("http://")
                .or_else(|| origin.strip_prefix("https://"));
            !authority.is_some_and(|authority| authority.eq_ignore_ascii_case(host))
        });
        if foreign_site || foreign_origin {
            return Err(Problem::forbidden(
                "a page of another site may not change anything here",
            ));
        }
    }
    Ok(next.run(request).await)
}

fn is_this_machine(host: &str) -> bool {
    let name = if let Some(rest) = host.strip_prefix('[') {
        rest.split_once(']').map_or("", |(name, _)| name)
    } else {
        host.split_once(':').map_or(host, |(name, _)| name)
    };
    name.eq_ignore_ascii_case("localhost")
        || name.parse::<IpAddr>().is_ok_and(|ip| ip.is_loopback())
}

/// The token in the headers.
pub(super) fn bearer(headers: &HeaderMap) -> Option<&str> {
    let value = headers.get(header::AUTHORIZATION)?.to_str().ok()?;
    value.strip_prefix("Bearer ")
}

/// Finds out what the request may do.
pub(super) async fn needs_token(
    axum::extract::State(web): axum::extract::State<Arc<Web>>,
    Extension(peer): Extension<Peer>,
    mut request: Request,
    next: Next,
) -> Result<Response, Problem> {
    let token = bearer(request.headers());
    let level = web.access.level(token, peer.address)?;
    request.extensions_mut().insert(level);
    Ok(next.run(request).await)
}

/// Lets only the token pass that may do everything.
pub(super) async fn needs_control(
    Extension(level): Extension<Level>,
    request: Request,
    next: Next,
) -> Result<Response, Problem> {
    if level != Level::Control {
        return Err(Problem::forbidden(
            "this token may look, and cut; changing anything else needs the control token",
        ));
    }
    Ok(next.run(request).await)
}

/// Everything the page needs comes from here, and no other site may frame or read it.
const HEADERS: [(&str, &str); 8] = [
    (
        "content-security-policy",
        "default-src 'none'; script-src 'self'; style-src 'self'; font-src 'self'; img-src 'self' data:; \
         connect-src 'self'; worker-src 'self'; base-uri 'none'; form-action 'self'; \
         frame-ancestors 'none'",
    ),
    ("x-content-type-options", "nosniff"),
    ("x-frame-options", "DENY"),
    // With none, browsers tell no origin when a form is sent, not even to its own site.
    ("referrer-policy", "same-origin"),
    ("cross-origin-opener-policy", "same-origin"),
    ("cross-origin-resource-policy", "same-origin"),
    (
        "permissions-policy",
        "camera=(), microphone=(), geolocation=(), payment=(), usb=(), serial=()",
    ),
    ("x-robots-tag", "noindex"),
];

pub(super) async fn security_headers(mut response: Response) -> Response {
    let headers = response.headers_mut();
    for (name, value) in HEADERS {
        headers.insert(
            header::HeaderName::from_static(name),
            HeaderValue::from_static(value),
        );
    }
    headers
        .entry(header::CACHE_CONTROL)
        .or_insert(HeaderValue::from_static("no-store"));
    response
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_names_of_this_machine_pass() {
        for host in [
            "localhost",
            "LOCALHOST:7340",
            "127.0.0.1:80",
            "127.9.9.9",
            "[::1]:7340",
        ] {
            assert!(is_this_machine(host), "{host}");
        }
        for host in [
            "",
            "stand.example",
            "localhost.example:80",
            "192.168.0.2:7340",
            "[fe80::1]",
        ] {
            assert!(!is_this_machine(host), "{host}");
        }
    }

    #[test]
    fn an_address_is_told_to_wait_and_may_come_back() {
        let mut wrong = Wrong::default();
        let peer: IpAddr = "192.168.0.9".parse().unwrap();
        for _ in 0..WRONG_MAX {
            assert_eq!(wrong.count(peer, 5_000_000), None);
        }
        assert_eq!(wrong.count(peer, 6_000_000), Some(59));
        assert_eq!(
            wrong.count("192.168.0.10".parse().unwrap(), 6_000_000),
            None
        );
        assert_eq!(wrong.count(peer, 5_000_000 + WINDOW_US), None);
        assert_eq!(wrong.total, 13);
    }

    #[test]
    fn a_household_is_one_address() {
        let mut wrong = Wrong::default();
        for last in 0..WRONG_MAX {
            let peer = IpAddr::V6(Ipv6Addr::from_bits((0x2001_0db8 << 96) | u128::from(last)));
            assert_eq!(wrong.count(peer, 0), None);
        }
        assert!(wrong.count("2001:db8::ffff".parse().unwrap(), 0).is_some());
        assert_eq!(wrong.count("2001:db8:0:1::1".parse().unwrap(), 0), None);
    }

    #[test]
    fn the_table_of_addresses_is_bounded() {
        let mut wrong = Wrong::default();
        for n in 0..10_000_u32 {
            wrong.count(IpAddr::V4(n.into()), 0);
        }
        assert!(wrong.addresses.len() <= ADDRESSES_MAX);
    }

    #[test]
    fn tokens_are_made_where_the_page_can_be_reached() {
        let wanted = PageAccess::default();
        let access = |wanted: &PageAccess, ip: &str| {
            Access::new(wanted, ip.parse().unwrap(), Clock::start())
        };
        assert!(access(&wanted, "127.0.0.1").unwrap().tokens().is_none());
        let one = access(&wanted, "0.0.0.0").unwrap();
        let other = access(&wanted, "0.0.0.0").unwrap();
        let (one, other) = (one.tokens().unwrap(), other.tokens().unwrap());
        assert!(one.control.len() >= 22 && one.control != one.read && one.control != other.control);
        assert!(!format!("{one:?}").contains(&one.control));
        let always = PageAccess {
            always_token: true,
            ..wanted
        };
        assert!(access(&always, "::1").unwrap().tokens().is_some());
        let short = PageAccess {
            control_token: Some("short".to_owned()),
            ..always
        };
        assert!(
            access(&short, "::1")
                .unwrap_err()
                .contains("found 5 characters")
        );
    }
}
