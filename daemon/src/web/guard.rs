//! Who may come in: the host asked for must be ours, a change must come from our own page, and
//! where an access key is set, everyone shows it or a page's sign-in. And the headers that keep
//! anything from the wire from running in a page.

use std::net::{IpAddr, SocketAddr};

use axum::extract::{ConnectInfo, Request, State};
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, Uri, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Redirect, Response};

use super::Shared;
use super::door::{self, Knock};
use super::problem::Problem;

/// Scripts and styles from our own files only, nothing inline, nothing from elsewhere; no script
/// may write markup at all (the one policy lets a page name our push worker and nothing else).
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; \
connect-src 'self'; manifest-src 'self'; worker-src 'self'; form-action 'self'; base-uri 'none'; \
frame-ancestors 'none'; require-trusted-types-for 'script'; trusted-types doughwarden";

/// Puts the safety headers on every answer, refusals included.
pub async fn headers(State(web): State<Shared>, request: Request, next: Next) -> Response {
    let keep = request.uri().path().starts_with("/assets/");
    let mut response = next.run(request).await;
    let headers = response.headers_mut();
    let mut put = |name, value| {
        headers.insert(name, HeaderValue::from_static(value));
    };
    put(header::CONTENT_SECURITY_POLICY, POLICY);
    put(header::X_CONTENT_TYPE_OPTIONS, "nosniff");
    put(header::X_FRAME_OPTIONS, "DENY");
    // `no-referrer` would make browsers send `Origin: null` with our own forms.
    put(header::REFERRER_POLICY, "same-origin");
    put(
        header::HeaderName::from_static("cross-origin-opener-policy"),
        "same-origin",
    );
    put(
        header::HeaderName::from_static("cross-origin-resource-policy"),
        "same-origin",
    );
    if web.https() {
        // Half a year. Not for subdomains: they are not ours.
        put(header::STRICT_TRANSPORT_SECURITY, "max-age=15768000");
    }
    if !keep {
        headers
            .entry(header::CACHE_CONTROL)
            .or_insert(HeaderValue::from_static("no-store"));
    }
    response
}

/// The host asked for: the authority (HTTP/2) or the only `Host`.
pub(in crate::web) fn host(uri: &Uri, headers: &HeaderMap) -> Option<String> {
    if let Some(authority) = uri.authority() {
        return Some(authority.as_str().to_owned());
    }
    let mut hosts = headers.get_all(header::HOST).iter();
    let host = hosts.next()?.to_str().ok()?.to_owned();
    hosts.next().is_none().then_some(host)
}

/// The name in `name:port`, `[::1]:port`, `name`.
fn name_of(host: &str) -> &str {
    if let Some(rest) = host.strip_prefix('[') {
        return rest.split(']').next().unwrap_or(rest);
    }
    host.rsplit_once(':')
        .filter(|(_, port)| port.bytes().all(|b| b.is_ascii_digit()))
        .map_or(host, |(name, _)| name)
}

/// Whether this machine goes by that name: `localhost`, any address (an address cannot be
/// re-bound by a name server), or one the configuration lists.
fn ours(name: &str, listed: &[String]) -> bool {
    let name = name.trim_end_matches('.');
    name.eq_ignore_ascii_case("localhost")
        || name.parse::<IpAddr>().is_ok()
        || listed.iter().any(|l| l.eq_ignore_ascii_case(name))
}

/// Refuses a host that is not ours and a change that does not come from our own page.
pub async fn host_and_origin(State(web): State<Shared>, request: Request, next: Next) -> Response {
    let Some(host) = host(request.uri(), request.headers()) else {
        return Problem::bad("The request names no host, or two.").into_response();
    };
    if !ours(name_of(&host), &web.app.config.http.hosts) {
        return Problem::new(
            StatusCode::FORBIDDEN,
            "Not our name",
            format!(
                "This machine does not go by `{}`. If it should, list that name in `http.hosts`.",
                name_of(&host)
            ),
        )
        .into_response();
    }
    let reads = matches!(
        *request.method(),
        Method::GET | Method::HEAD | Method::OPTIONS
    );
    if !reads && let Err(why) = origin(&host, request.headers()) {
        return Problem::new(StatusCode::FORBIDDEN, "Not from our own page", why).into_response();
    }
    next.run(request).await
}

/// A change's `Origin`: one at most, ours if there is one, and there must be one where a browser
/// added a cookie by itself.
fn origin(host: &str, headers: &HeaderMap) -> Result<(), &'static str> {
    let mut origins = headers.get_all(header::ORIGIN).iter();
    match (origins.next(), origins.next()) {
        (_, Some(_)) => Err("The request names two origins."),
        (Some(origin), None) => {
            let ours = origin
                .to_str()
                .ok()
                .and_then(|o| o.split_once("://"))
                .is_some_and(|(scheme, authority)| {
                    matches!(scheme, "http" | "https") && authority.eq_ignore_ascii_case(host)
                });
            if ours {
                Ok(())
            } else {
                Err("The change was asked for by another page.")
            }
        }
        (None, None)
            if headers.contains_key(header::COOKIE)
                && !headers.contains_key(header::AUTHORIZATION) =>
        {
            Err("A change with a cookie must say which page it comes from (`Origin`).")
        }
        (None, None) => Ok(()),
    }
}

/// What nobody needs a key for: the two probes, the door itself, and what it is painted with.
fn open_to_all(path: &str) -> bool {
    matches!(
        path,
        "/healthz"
            | "/readyz"
            | "/sign-in"
            | "/favicon.ico"
            | "/worker.js"
            | "/manifest.webmanifest"
    ) || path.starts_with("/assets/")
}

/// Where a request comes from; tests without a connection count as one.
#[must_use]
pub fn peer(request: &Request) -> IpAddr {
    request
        .extensions()
        .get::<ConnectInfo<SocketAddr>>()
        .map_or(IpAddr::from([127, 0, 0, 1]), |c| c.0.ip())
}

/// Lets in who shows the key or a sign-in.
pub async fn who(State(web): State<Shared>, request: Request, next: Next) -> Response {
    let Some(key) = &web.app.config.http.access_key else {
        return next.run(request).await;
    };
    let path = request.uri().path();
    if open_to_all(path) {
        return next.run(request).await;
    }
    let bearer = request
        .headers()
        .get(header::AUTHORIZATION)
        .map(|v| v.to_str().unwrap_or_default().trim())
        .map(|v| {
            v.split_once(' ')
                .filter(|(scheme, _)| scheme.eq_ignore_ascii_case("bearer"))
                .map_or("", |(_, token)| token.trim())
                .to_owned()
        });
    if let Some(bearer) = bearer {
        return match web.door.knock(peer(&request), &bearer, &key.0) {
            Knock::Right => next.run(request).await,
            Knock::Wrong => Problem::new(
                StatusCode::UNAUTHORIZED,
                "Wrong key",
                "The access key in `Authorization: Bearer …` is not the one in the configuration.",
            )
            .into_response(),
            Knock::Wait(s) => too_often(s).into_response(),
        };
    }
    let token = door::cookie(request.headers(), web.https());
    if let Some(token) = token {
        let known = web
            .off(move |web| Ok(web.door.known(&web.app, &token)?))
            .await;
        match known {
            Ok(true) => return next.run(request).await,
            Ok(false) => {}
            Err(problem) => return problem.into_response(),
        }
    }
    let wants_page =
        *request.method() == Method::GET && !path.starts_with("/api/") && path != "/metrics";
    if wants_page {
        let next = request.uri().path_and_query().map_or("/", |p| p.as_str());
        return Redirect::to(&format!(
            "/sign-in?next={}",
            doughwarden_dashboards::show::encode(next)
        ))
        .into_response();
    }
    Problem::new(
        StatusCode::UNAUTHORIZED,
        "Sign in first",
        "Send the access key as `Authorization: Bearer …`, or sign in on a page.",
    )
    .into_response()
}

/// Too many wrong keys.
#[must_use]
pub fn too_often(wait_s: u64) -> Problem {
    Problem::new(
        StatusCode::TOO_MANY_REQUESTS,
        "Too many wrong keys",
        format!("Wait {wait_s} s and try again; the right key is not looked at before that."),
    )
    .with("retry_after_s", wait_s.into())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_host_is_ours_by_address_or_by_list_never_by_likeness() {
        let listed = vec!["bakery.example".to_owned()];
        for host in [
            "localhost:8080",
            "127.0.0.1",
            "[::1]:8080",
            "192.0.2.7:80",
            "Bakery.example",
            "localhost.",
        ] {
            assert!(ours(name_of(host), &listed), "{host}");
        }
        for host in [
            "evil.example",
            "localhost.evil.example",
            "127.0.0.1.evil.example",
            "bakery.example.evil.example",
            "",
        ] {
            assert!(!ours(name_of(host), &listed), "{host}");
        }
    }

    #[test]
    fn an_origin_must_be_ours_whole() {
        let with = |origins: &[&str], cookie: bool| {
            let mut h = HeaderMap::new();
            for o in origins {
                h.append(header::ORIGIN, HeaderValue::from_str(o).unwrap());
            }
            if cookie {
                h.insert(header::COOKIE, HeaderValue::from_static("a=b"));
            }
            origin("127.0.0.1:8080", &h).is_ok()
        };
        assert!(with(&["http://127.0.0.1:8080"], true));
        assert!(with(&[], false));
        assert!(!with(&[], true));
        for foreign in [
            "http://127.0.0.1:9090",
            "http://evil.example",
            "null",
            "file://127.0.0.1:8080",
        ] {
            assert!(!with(&[foreign], false), "{foreign}");
        }
        assert!(!with(
            &["http://127.0.0.1:8080", "http://127.0.0.1:8080"],
            true
        ));
    }
}
