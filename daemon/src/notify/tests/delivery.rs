//! The outbox and its workers: retried, refused, too old, second ways, and none that holds up another.

use super::*;
use wiremock::matchers::{header, path};

#[tokio::test(flavor = "multi_thread")]
async fn errors_are_retried_until_the_message_is_taken() {
    let mut bench = Bench::answering(&[500, 503, 200]).await;
    bench.serve(vec![]);
    bench.queue("webhook", "a");
    eventually("taken", || bench.message("a").accepted.is_some()).await;
    assert_eq!(bench.message("a").tries, 3);
    assert_eq!(bench.received().await.len(), 3);
    let status = bench.hook_status();
    assert!(status.last_error.is_none() && status.last_accepted.is_some());
}

#[tokio::test(flavor = "multi_thread")]
async fn a_wrong_key_is_not_retried_and_shows_red() {
    let mut bench = Bench::answering(&[401]).await;
    bench.serve(vec![]);
    // A later message is tried again (somebody may have mended the key), the first one is not.
    for alert in ["a", "b"] {
        bench.queue("webhook", alert);
        eventually("refused", || bench.message(alert).failed.is_some()).await;
    }
    assert_eq!(bench.received().await.len(), 2);
    assert!(bench.hook_status().last_error.unwrap().contains("401"));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_request_to_wait_is_honoured() {
    let mut bench = Bench::answering(&[]).await;
    Mock::given(method("POST"))
        .respond_with(ResponseTemplate::new(429).insert_header("Retry-After", "3"))
        .up_to_n_times(1)
        .mount(&bench.server)
        .await;
    answering(&bench.server, &[200]).await;
    bench.serve(vec![]);
    bench.queue("webhook", "a");
    eventually("asked to wait", || bench.message("a").tries == 1).await;
    let asked = Instant::now();
    eventually("taken", || bench.message("a").accepted.is_some()).await;
    // Our own first wait is a second at most: only the header explains more than two.
    assert!(asked.elapsed() > Duration::from_secs(2));
}

/// A channel that takes a message, never answers, or comes second, as told.
struct Other {
    name: &'static str,
    answers: bool,
    after_min: f64,
}

impl Channel for Other {
    fn name(&self) -> &'static str {
        self.name
    }
    fn wakes_phone(&self) -> bool {
        true
    }
    fn after_min(&self) -> f64 {
        self.after_min
    }
    fn send<'a>(&'a self, _doc: &'a Value) -> Sending<'a> {
        if self.answers {
            return Box::pin(std::future::ready(Ok(())));
        }
        Box::pin(std::future::pending())
    }
    fn try_silently(&self) -> Sending<'_> {
        self.send(&Value::Null)
    }
}

fn other(name: &'static str, answers: bool, after_min: f64) -> Arc<dyn Channel> {
    Arc::new(Other {
        name,
        answers,
        after_min,
    })
}

#[tokio::test(flavor = "multi_thread")]
async fn a_channel_that_never_answers_delays_no_other() {
    let mut bench = Bench::answering(&[200]).await;
    bench.serve(vec![other("stuck", false, 0.0)]);
    for alert in ["a", "b", "c"] {
        bench.queue("stuck", alert);
        bench.queue("webhook", alert);
    }
    let store = &bench.app.store;
    eventually("all taken by the healthy one", || {
        store.outbox("webhook").unwrap().is_empty()
    })
    .await;
    assert_eq!(store.outbox("stuck").unwrap().len(), 3);
}

/// Any two ways can be first and second: the second is used for what nobody has seen by then, and
/// not for what someone has.
#[tokio::test(flavor = "multi_thread")]
async fn a_second_way_goes_out_only_for_what_nobody_has_seen_by_then() {
    for (first, second) in [("left", "right"), ("right", "left")] {
        let mut bench = Bench::answering(&[200]).await;
        put(&bench.app, &KNOTS);
        bench.serve(vec![other(first, true, 0.0), other(second, true, 7.0)]);
        bench.watch().await;
        heat(&bench.app, &[31.0; 7]);
        eventually("raised", || !alert_rows(&bench.app, "too_hot").is_empty()).await;
        let store = Arc::clone(&bench.app.store);
        eventually("the first way has it", || {
            store.outbox(first).unwrap().is_empty()
        })
        .await;
        let waiting = store.outbox(second).unwrap();
        assert_eq!(waiting.len(), 1);
        let wait_min = (waiting[0].next_try.0 - waiting[0].queued.0) / 60_000;
        assert_eq!((wait_min, waiting[0].tries), (7, 0));
        bench.app.clock.set(waiting[0].next_try.plus_ms(1_000));
        let went = |alert: &str| {
            let rows = store.outbox_history(100).unwrap();
            let mut of = rows
                .into_iter()
                .filter(|r| r.channel == second && r.alert == alert);
            of.next().map(|r| (r.accepted.is_some(), r.last_error))
        };
        eventually("the second way has it", || {
            went(&waiting[0].alert) == Some((true, None))
        })
        .await;
        // Another, which somebody sees in time.
        let mut seen = row(&bench.app, second, "seen");
        seen.next_try = bench.app.clock.now().plus_min(7.0);
        let mut alert = alert_rows(&bench.app, "too_hot").remove(0);
        (alert.id, alert.cause) = ("seen".into(), "another".into());
        alert.memory = Value::Null;
        store.put_alerts(&[alert], &[seen]).unwrap();
        assert!(crate::watch::acknowledge(&bench.app, "seen").unwrap());
        let now = bench.app.clock.now();
        bench.app.clock.set(now.plus_min(8.0));
        let why = "not needed: someone has seen it".to_owned();
        eventually("left out", || {
            went("seen") == Some((false, Some(why.clone())))
        })
        .await;
    }
}

/// Its channel was down, or it is a second way: what was raised before the quiet hours does not ring in
/// them either, and is not lost.
#[tokio::test(flavor = "multi_thread")]
async fn quiet_hours_that_begin_while_a_message_is_on_its_way_are_kept() {
    let mut bench = Bench::answering(&[200]).await;
    // It is seven in Oslo.
    let quiet = json!("06:30-08:00");
    bench
        .app
        .store
        .set_setting("quiet_hours", Some(&quiet))
        .unwrap();
    bench.serve(vec![]);
    let mut early = row(&bench.app, "webhook", "note");
    early.expires = bench.app.clock.now().plus_min(30.0);
    let mut urgent = row(&bench.app, "webhook", "urgent");
    urgent.doc["severity"] = "urgent".into();
    bench.app.store.put_alerts(&[], &[early, urgent]).unwrap();
    eventually("the urgent one is taken", || {
        bench.message("urgent").accepted.is_some()
    })
    .await;
    let eight = start_time().plus_min(60.0);
    eventually("the note waits", || bench.message("note").next_try == eight).await;
    assert_eq!(bench.message("note").tries, 0);
    bench.app.clock.set(eight);
    eventually("taken then", || bench.message("note").accepted.is_some()).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_too_old_expires_and_says_so() {
    let mut bench = Bench::answering(&[200]).await;
    let mut old = row(&bench.app, "webhook", "a");
    old.expires = bench.app.clock.now().plus_min(-1.0);
    bench.app.store.put_alerts(&[], &[old]).unwrap();
    bench.serve(vec![]);
    eventually("expired", || bench.message("a").failed.is_some()).await;
    let why = bench.message("a").last_error.unwrap();
    assert!(why.contains("too old"), "{why}");
    assert!(bench.received().await.is_empty());
}

#[tokio::test(flavor = "multi_thread")]
async fn a_templated_request_fits_a_push_relay() {
    let _ = rustls::crypto::ring::default_provider().install_default();
    let server = MockServer::start().await;
    Mock::given(method("PUT"))
        .and(path("/bakery"))
        .and(header("X-Title", "Knots: ready"))
        .and(header("X-Priority", "5"))
        .and(header("Authorization", "Bearer k"))
        .respond_with(ResponseTemplate::new(200))
        .expect(1)
        .mount(&server)
        .await;
    let mut config = webhook(format!("{}/bakery", server.uri()));
    config.method = "put".into();
    config.body = Some("{text} {link}".into());
    for (name, value) in [
        ("X-Title", "{title}"),
        ("X-Priority", "{priority}"),
        ("Authorization", "Bearer k"),
    ] {
        config.headers.insert(name.into(), Secret(value.into()));
    }
    let hook = webhook::Webhook::new(&config).unwrap();
    let doc = json!({"title":"Knots:\n ready","text":"Now \"go\".","link":"http://h/","severity":"urgent"});
    hook.send(&doc).await.unwrap();
    let request: Request = server.received_requests().await.unwrap().remove(0);
    assert_eq!(
        String::from_utf8(request.body).unwrap(),
        "Now \"go\". http://h/"
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn no_word_of_a_failure_holds_the_address() {
    let _ = rustls::crypto::ring::default_provider().install_default();
    // A port that was free a moment ago: nothing listens there.
    let port = {
        let socket = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
        socket.local_addr().unwrap().port()
    };
    let canary = "canary-4711";
    for scheme in ["http", "https"] {
        let hook = webhook::Webhook::new(&webhook(format!(
            "{scheme}://127.0.0.1:{port}/{canary}?token={canary}"
        )))
        .unwrap();
        let refusal = hook.send(&json!({})).await.unwrap_err();
        assert!(matches!(refusal, Refusal::Later { .. }), "{refusal}");
        assert!(!refusal.to_string().contains(canary), "{refusal}");
        assert!(!format!("{:?}", webhook(canary.into())).contains(canary));
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn what_the_store_cannot_keep_is_carried_all_the_same() {
    let mut bench = Bench::answering(&[200]).await;
    bench.serve(vec![]);
    bench.app.desk.spill(&json!({ "id": "a" }));
    let begin = Instant::now();
    while bench.received().await.is_empty() {
        assert!(begin.elapsed() < DEADLINE);
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
}

#[test]
fn settings_that_cannot_work_are_one_clear_line() {
    let _ = rustls::crypto::ring::default_provider().install_default();
    let line = |toml: &str| {
        let alert: crate::config::alert::Alert = toml::from_str(toml).unwrap();
        alert.check().unwrap_err()
    };
    assert!(line("[webhook]\nurl = \"example\"").contains("alert.webhook.url"));
    assert!(line("quiet_hours = \"late\"").contains("alert.quiet_hours: `late`"));
    assert!(line("[push]\nafter_min = -1").contains("alert.push.after_min"));
    let mail = "[email]\nserver = \"h\"\nfrom = \"a@b.example\"\nto = ";
    assert!(line(&format!("{mail}\"nobody\"")).contains("alert.email.to"));
    let security = "\"c@d.example\"\nsecurity = \"none\"";
    assert!(line(&format!("{mail}{security}")).contains("alert.email.security"));
}
