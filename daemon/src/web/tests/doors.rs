//! Who is let in, and how the sockets behave.

use std::net::TcpListener;
use std::sync::Arc;
use std::time::Duration;

use axum::body::Body;

use super::{KEY, Kitchen, PAGES, ask, form, get};
use crate::events::Event;
use crate::web::{door, router, serve, start};

#[tokio::test]
async fn a_host_that_is_not_ours_and_a_foreign_change_are_refused() {
    let kitchen = Kitchen::new(|c| c.http.hosts = vec!["kitchen.example".into()]).with_a_proof();
    let router = router(Arc::clone(&kitchen.app));
    let host = |h: &'static str| {
        let router = router.clone();
        async move {
            ask(&router, "GET", "/", &[("host", h)], Body::empty())
                .await
                .status
        }
    };
    assert_eq!(host("kitchen.example:8080").await, 200);
    assert_eq!(host("evil.example").await, 403);
    let body = "{\"record\":\"place\",\"name\":\"shelf\"}";
    let post = |headers: Vec<(&'static str, &'static str)>| {
        let router = router.clone();
        async move { ask(&router, "POST", "/undo", &headers, body).await }
    };
    for refused in [
        vec![("origin", "http://evil.example")],
        vec![("origin", "null")],
        vec![
            ("origin", "http://127.0.0.1:8080"),
            ("origin", "http://127.0.0.1:8080"),
        ],
        vec![("cookie", "doughwarden=x")],
        vec![("sec-fetch-site", "cross-site")],
    ] {
        let answer = post(refused.clone()).await;
        assert_eq!(answer.status, 403, "{refused:?}");
    }
    // From a program on this machine, without a cookie: let in (and then the form is missing).
    assert_ne!(post(vec![]).await.status, 403);
}

#[tokio::test]
async fn with_a_key_everything_but_the_probes_and_the_door_is_locked() {
    let kitchen = Kitchen::locked().with_a_proof();
    let router = router(Arc::clone(&kitchen.app));
    let description = get(&router, "/api/openapi.json").await;
    assert_eq!(description.status, 401);
    let bearer = format!("Bearer {KEY}");
    let key = [("authorization", bearer.as_str())];
    let description = ask(&router, "GET", "/api/openapi.json", &key, Body::empty())
        .await
        .json();
    for (path, calls) in description["paths"].as_object().unwrap() {
        for method in calls.as_object().unwrap().keys() {
            let path = path
                .replace("{id}", "2026-knots")
                .replace("{name}", "webhook")
                .replace("{version}", "1");
            let status = ask(&router, &method.to_uppercase(), &path, &[], Body::empty())
                .await
                .status;
            match path.as_str() {
                "/healthz" => assert_eq!(status, 200),
                "/readyz" => assert_eq!(status, 503, "nothing runs yet"),
                _ => assert_eq!(status, 401, "{method} {path}"),
            }
        }
    }
    for page in PAGES {
        let answer = get(&router, page).await;
        assert_eq!(answer.status, 303, "{page}");
        assert!(
            answer.headers["location"]
                .to_str()
                .unwrap()
                .starts_with("/sign-in?next=")
        );
    }
    let wrong = [("authorization", "Bearer nonsense")];
    assert_eq!(
        ask(&router, "GET", "/api/v1/batches", &wrong, Body::empty())
            .await
            .status,
        401
    );
    assert_eq!(
        ask(&router, "GET", "/api/v1/batches", &key, Body::empty())
            .await
            .status,
        200
    );
}

#[tokio::test]
async fn signing_in_gives_a_session_that_can_be_taken_back() {
    let kitchen = Kitchen::locked().with_a_proof();
    let router = router(Arc::clone(&kitchen.app));
    assert_eq!(form(&router, "/sign-in", "key=wrong").await.status, 401);
    let answer = form(&router, "/sign-in", &format!("key={KEY}&next=%2Fdoughs")).await;
    assert_eq!(answer.status, 303);
    assert_eq!(answer.headers["location"], "/doughs");
    let cookie = answer.headers["set-cookie"].to_str().unwrap();
    assert!(cookie.contains("HttpOnly") && cookie.contains("SameSite=Lax"));
    let cookie = cookie.split(';').next().unwrap().to_owned();
    let token = cookie.split_once('=').unwrap().1.to_owned();
    let kept = kitchen.app.store.setting("sessions").unwrap().unwrap();
    assert!(!kept.to_string().contains(&token), "only a digest is kept");

    let mine = [
        ("cookie", cookie.as_str()),
        ("origin", "http://127.0.0.1:8080"),
        ("content-type", "application/x-www-form-urlencoded"),
    ];
    assert_eq!(
        ask(&router, "GET", "/", &mine[..1], Body::empty())
            .await
            .status,
        200
    );
    // Another phone by a link, once.
    let settings = ask(&router, "POST", "/settings/invite", &mine, Body::empty()).await;
    let link = settings.text.split("/sign-in?token=").nth(1).unwrap();
    let link: String = link
        .chars()
        .take_while(|c| c.is_ascii_alphanumeric() || "-_".contains(*c))
        .collect();
    let page = get(&router, &format!("/sign-in?token={link}")).await;
    assert_eq!(page.status, 200);
    assert!(
        page.headers.get("set-cookie").is_none(),
        "opening the link changes nothing"
    );
    assert_eq!(
        form(&router, "/sign-in", &format!("token={link}"))
            .await
            .status,
        303
    );
    assert_eq!(
        form(&router, "/sign-in", &format!("token={link}"))
            .await
            .status,
        401
    );
    // Taken back: the cookie is worth nothing.
    let hash = door::hash_of(&token);
    assert_eq!(
        ask(
            &router,
            "POST",
            "/settings/sign-out",
            &mine,
            format!("id={hash}")
        )
        .await
        .status,
        303
    );
    assert_eq!(
        ask(&router, "GET", "/", &mine[..1], Body::empty())
            .await
            .status,
        303
    );
}

#[tokio::test]
async fn the_pages_can_be_got_over_a_socket_and_a_stream_ends_on_stop() {
    let kitchen = Kitchen::new(|_| {}).with_a_proof();
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let (bound, task) = serve(Arc::clone(&kitchen.app), listener).unwrap();
    let deadline = Duration::from_secs(20);
    rustls::crypto::ring::default_provider()
        .install_default()
        .ok();
    let client = reqwest::Client::new();
    let mut stream = client
        .get(format!("http://{bound}/api/v1/events"))
        .send()
        .await
        .unwrap();
    assert_eq!(stream.headers()["content-type"], "text/event-stream");
    let told = kitchen.readings(&[24.0]);
    kitchen.app.bus.tell(Event::Readings(told.into()));
    let mut text = String::new();
    while !text.contains("\n\n") {
        let chunk = tokio::time::timeout(deadline, stream.chunk())
            .await
            .unwrap()
            .unwrap()
            .unwrap();
        text.push_str(&String::from_utf8_lossy(&chunk));
    }
    assert!(
        text.contains("event: readings") && text.contains("\"value\":24"),
        "{text}"
    );
    kitchen.app.stop.cancel();
    // The stream ends though its reader would go on, and the server with it.
    while let Some(chunk) = tokio::time::timeout(deadline, stream.chunk())
        .await
        .unwrap()
        .unwrap_or(None)
    {
        drop(chunk);
    }
    tokio::time::timeout(deadline, task)
        .await
        .unwrap()
        .unwrap()
        .unwrap();
}

#[tokio::test]
async fn https_is_served_when_a_certificate_is_set() {
    rustls::crypto::ring::default_provider()
        .install_default()
        .ok();
    let dir = tempfile::tempdir().unwrap();
    let made = rcgen::generate_simple_self_signed(vec!["localhost".into()]).unwrap();
    let (certificate, key) = (dir.path().join("c.pem"), dir.path().join("k.pem"));
    std::fs::write(&certificate, made.cert.pem()).unwrap();
    std::fs::write(&key, made.signing_key.serialize_pem()).unwrap();
    let kitchen = Kitchen::new(|c| {
        c.http.certificate = Some(certificate);
        c.http.key = Some(key);
    });
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let mut rooms = tokio::task::JoinSet::new();
    let url = start(&kitchen.app, listener, &mut rooms).unwrap();
    assert!(url.starts_with("https://127.0.0.1:"));
    let port = url.rsplit_once(':').unwrap().1;
    let trusted = reqwest::Certificate::from_pem(made.cert.pem().as_bytes()).unwrap();
    let client = reqwest::Client::builder()
        .tls_certs_only([trusted])
        .build()
        .unwrap();
    let answer = client
        .get(format!("https://localhost:{port}/healthz"))
        .send()
        .await
        .unwrap();
    assert_eq!(answer.status(), 200);
    assert!(answer.headers().contains_key("strict-transport-security"));
    let stranger = reqwest::Client::new();
    assert!(
        stranger
            .get(format!("https://localhost:{port}/healthz"))
            .send()
            .await
            .is_err()
    );
    kitchen.app.stop.cancel();
    tokio::time::timeout(Duration::from_secs(20), async {
        while rooms.join_next().await.is_some() {}
    })
    .await
    .unwrap();
}

#[tokio::test]
async fn a_certificate_that_is_none_is_named() {
    let kitchen = Kitchen::new(|c| {
        c.http.certificate = Some("/nowhere/c.pem".into());
        c.http.key = Some("/nowhere/k.pem".into());
    });
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let error = serve(Arc::clone(&kitchen.app), listener).unwrap_err();
    assert!(error.to_string().contains("/nowhere/c.pem"));
}
