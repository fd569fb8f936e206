//! E-mail over SMTP, always encrypted: STARTTLS (RFC 3207) or TLS from the first byte (RFC 8314).

use lettre::message::{Mailbox, header::ContentType};
use lettre::transport::smtp::authentication::Credentials;
use lettre::transport::smtp::client::{Certificate, Tls, TlsParameters};
use lettre::transport::smtp::{AsyncSmtpTransport, AsyncSmtpTransportBuilder};
use lettre::{AsyncTransport, Message, Tokio1Executor};
use serde_json::Value;

use super::{Channel, Refusal, Sending};
use crate::config::alert::Email as Config;

/// Its name.
pub const NAME: &str = "email";

/// The channel.
pub struct Email {
    transport: AsyncSmtpTransport<Tokio1Executor>,
    from: Mailbox,
    to: Mailbox,
    after_min: f64,
}

impl Email {
    /// From its configuration; inside a tokio runtime (its pool of connections lives there).
    ///
    /// # Errors
    /// One line that says which key cannot work.
    pub fn new(config: &Config) -> Result<Self, String> {
        let (builder, from, to) = Self::parts(config)?;
        Ok(Self {
            transport: builder.build(),
            from,
            to,
            after_min: config.after_min,
        })
    }

    /// Checks the configuration; needs no runtime.
    ///
    /// # Errors
    /// One line that says which key cannot work.
    pub fn check(config: &Config) -> Result<(), String> {
        Self::parts(config).map(|_| ())
    }

    fn parts(config: &Config) -> Result<(AsyncSmtpTransportBuilder, Mailbox, Mailbox), String> {
        let address = |key: &str, text: &str| {
            text.parse::<Mailbox>()
                .map_err(|_| format!("alert.email.{key}: `{text}` is no mail address"))
        };
        let mut tls = TlsParameters::builder(config.server.clone());
        if let Some(file) = &config.ca_file {
            let pem = std::fs::read(file).map_err(|e| {
                format!(
                    "alert.email.ca_file: `{}` cannot be read: {e}",
                    file.display()
                )
            })?;
            let certificate = Certificate::from_pem(&pem).map_err(|e| {
                format!(
                    "alert.email.ca_file: `{}` is no certificate: {e}",
                    file.display()
                )
            })?;
            tls = tls.add_root_certificate(certificate);
        }
        let tls = tls
            .build()
            .map_err(|e| format!("alert.email: TLS cannot be set up: {e}"))?;
        let tls = if config.security == "tls" {
            Tls::Wrapper(tls)
        } else if config.security == "starttls" {
            Tls::Required(tls)
        } else {
            return Err(format!(
                "alert.email.security: `{}`: write `starttls` or `tls`",
                config.security
            ));
        };
        let mut builder = AsyncSmtpTransport::<Tokio1Executor>::builder_dangerous(&config.server)
            .port(port(config))
            .tls(tls)
            .timeout(Some(super::webhook::TIMEOUT));
        if let (Some(user), Some(password)) = (&config.user, &config.password) {
            builder = builder.credentials(Credentials::new(user.clone(), password.0.clone()));
        }
        Ok((
            builder,
            address("from", &config.from)?,
            address("to", &config.to)?,
        ))
    }

    async fn deliver(&self, doc: &Value) -> Result<(), Refusal> {
        let field = |name: &str| doc[name].as_str().unwrap_or_default().to_owned();
        let message = Message::builder()
            .from(self.from.clone())
            .to(self.to.clone())
            .subject(field("title"))
            .header(ContentType::TEXT_PLAIN)
            .body(format!("{}\n\n{}\n", field("text"), field("link")))
            .map_err(|e| Refusal::Never(format!("the mail cannot be written: {e}")))?;
        self.transport.send(message).await.map_or_else(
            |e| {
                let why = with_source(&e);
                Err(if e.is_permanent() {
                    Refusal::Never(why)
                } else {
                    Refusal::later(why)
                })
            },
            |_| Ok(()),
        )
    }
}

fn with_source(error: &dyn std::error::Error) -> String {
    error
        .source()
        .map_or_else(|| error.to_string(), |source| format!("{error}: {source}"))
}

fn port(config: &Config) -> u16 {
    config
        .port
        .unwrap_or(if config.security == "tls" { 465 } else { 587 })
}

impl Channel for Email {
    fn name(&self) -> &'static str {
        NAME
    }

    fn wakes_phone(&self) -> bool {
        true
    }

    fn after_min(&self) -> f64 {
        self.after_min
    }

    fn send<'a>(&'a self, doc: &'a Value) -> Sending<'a> {
        Box::pin(self.deliver(doc))
    }

    fn try_silently(&self) -> Sending<'_> {
        Box::pin(async {
            // TLS and log-in, then NOOP (RFC 5321): no mail.
            match self.transport.test_connection().await {
                Ok(true) => Ok(()),
                Ok(false) => Err(Refusal::later("the mail server does not answer")),
                Err(error) => Err(Refusal::later(with_source(&error))),
            }
        })
    }
}

/// For `check`: whether the server takes connections; nothing is sent.
///
/// # Errors
/// Why not.
pub async fn reach(config: &Config) -> Result<(), String> {
    Email::check(config)?;
    super::webhook::tcp(&config.server, port(config)).await
}
