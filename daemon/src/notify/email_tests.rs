//! The mail channel against a small server of our own that speaks SMTP (RFC 5321) with STARTTLS
//! (RFC 3207) or TLS from the first byte (RFC 8314), with a certificate made for the test.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::Arc;

use rustls::pki_types::{PrivateKeyDer, PrivatePkcs8KeyDer};
use serde_json::json;

use super::{Channel, Refusal, email};
use crate::config::alert::Email as Config;
use crate::config::mqtt::Secret;

struct Server {
    port: u16,
    ca: tempfile::NamedTempFile,
    mail: std::thread::JoinHandle<Option<String>>,
}

fn line(reader: &mut impl BufRead) -> String {
    let mut text = String::new();
    reader.read_line(&mut text).unwrap_or(0);
    text
}

/// One conversation up to the message; `None` when the client went away before.
fn talk(stream: impl Read + Write, greeted: bool, refuse_login: bool) -> Option<String> {
    let mut reader = BufReader::new(stream);
    if !greeted {
        reader.get_mut().write_all(b"220 test\r\n").ok()?;
    }
    loop {
        let command = line(&mut reader);
        let word = command.get(..4)?.to_ascii_uppercase();
        let answer: &[u8] = match word.as_str() {
            "EHLO" => b"250-test\r\n250 AUTH PLAIN\r\n",
            "AUTH" if refuse_login => b"535 no\r\n",
            "AUTH" => b"235 ok\r\n",
            "DATA" => b"354 go\r\n",
            "QUIT" => return None,
            _ => b"250 ok\r\n",
        };
        reader.get_mut().write_all(answer).ok()?;
        if word == "DATA" {
            let mut mail = String::new();
            loop {
                let text = line(&mut reader);
                if text.is_empty() || text == ".\r\n" {
                    break;
                }
                mail.push_str(&text);
            }
            reader.get_mut().write_all(b"250 taken\r\n").ok()?;
            return Some(mail);
        }
    }
}

fn server(starttls: bool, refuse_login: bool) -> Server {
    let _ = rustls::crypto::ring::default_provider().install_default();
    let certified = rcgen::generate_simple_self_signed(vec!["localhost".to_owned()]).unwrap();
    let mut ca = tempfile::NamedTempFile::new().unwrap();
    ca.write_all(certified.cert.pem().as_bytes()).unwrap();
    let key = PrivateKeyDer::Pkcs8(PrivatePkcs8KeyDer::from(
        certified.signing_key.serialize_der(),
    ));
    let tls = rustls::ServerConfig::builder()
        .with_no_client_auth()
        .with_single_cert(vec![certified.cert.der().clone()], key)
        .unwrap();
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = listener.local_addr().unwrap().port();
    let mail = std::thread::spawn(move || {
        let (mut stream, _): (TcpStream, _) = listener.accept().ok()?;
        if starttls {
            stream.write_all(b"220 test\r\n").ok()?;
            let mut reader = BufReader::new(stream.try_clone().ok()?);
            line(&mut reader);
            stream.write_all(b"250-test\r\n250 STARTTLS\r\n").ok()?;
            assert_eq!(line(&mut reader).to_ascii_uppercase(), "STARTTLS\r\n");
            stream.write_all(b"220 go\r\n").ok()?;
        }
        let connection = rustls::ServerConnection::new(Arc::new(tls)).ok()?;
        talk(
            rustls::StreamOwned::new(connection, stream),
            starttls,
            refuse_login,
        )
    });
    Server { port, ca, mail }
}

fn config(server: &Server, security: &str, trusted: bool) -> Config {
    Config {
        server: "localhost".into(),
        port: Some(server.port),
        security: security.into(),
        user: Some("baker".into()),
        password: Some(Secret("secret".into())),
        from: "oven@dough.example".into(),
        to: "baker@dough.example".into(),
        ca_file: trusted.then(|| server.ca.path().to_owned()),
        after_min: 0.0,
    }
}

fn doc() -> serde_json::Value {
    json!({
        "title": "Cardamom knots: ready\r\nBcc: other@dough.example", "text": "Shape it now.",
        "link": "http://dough.example/batches/1",
    })
}

#[tokio::test(flavor = "multi_thread")]
async fn a_mail_goes_out_over_starttls_and_over_tls() {
    for security in ["starttls", "tls"] {
        let server = server(security == "starttls", false);
        let channel = email::Email::new(&config(&server, security, true)).unwrap();
        channel.send(&doc()).await.unwrap();
        let mail = server.mail.join().unwrap().unwrap();
        assert!(mail.contains("Shape it now."), "{mail}");
        assert!(mail.contains("http://dough.example/batches/1"), "{mail}");
        // A line break in a title makes no header of its own.
        assert!(!mail.contains("\r\nBcc:"), "{mail}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_certificate_nobody_vouches_for_is_refused() {
    let server = server(false, false);
    let channel = email::Email::new(&config(&server, "tls", false)).unwrap();
    let refusal = channel.send(&doc()).await.unwrap_err();
    assert!(!refusal.to_string().contains("secret"));
    assert_eq!(server.mail.join().unwrap(), None);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_wrong_password_is_final() {
    let server = server(false, true);
    let channel = email::Email::new(&config(&server, "tls", true)).unwrap();
    let refusal = channel.send(&doc()).await.unwrap_err();
    assert!(matches!(refusal, Refusal::Never(_)), "{refusal}");
    drop(channel);
}
