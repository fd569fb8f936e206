//! Pages and HTTP: the API, the server-rendered pages, live events, sign-in.
//!
//! [`router`] is everything in one `Router`; [`serve`] puts it on a listener, over http or https.
//! [`guard`] decides who may come in, [`door`] knows who has, [`feed`] tells what happens,
//! [`api`] answers programs and [`pages`] people; both call the same functions of the other rooms.

pub mod api;
pub mod door;
pub mod feed;
pub mod guard;
pub mod pages;
pub mod problem;
mod statics;

use std::net::{SocketAddr, TcpListener};
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::extract::Request;
use axum::http::StatusCode;
use axum::middleware;
use rustls::pki_types::pem::PemObject as _;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use tokio::task::{JoinHandle, JoinSet};
use tower_http::catch_panic::CatchPanicLayer;
use tower_http::compression::CompressionLayer;
use tower_http::csrf::CsrfLayer;
use tower_http::limit::RequestBodyLimitLayer;
use tower_http::timeout::TimeoutLayer;

use crate::app::App;
use problem::Problem;

/// The largest body taken, bytes: a log book of some ten thousand lines; more goes by `import`.
pub const BODY_LIMIT: usize = 1 << 20;
/// The largest file of readings taken, bytes: three months of a sensor that writes every ten seconds;
/// more goes by `import-csv`.
pub const FILE_LIMIT: usize = 64 << 20;
/// How long a request may take (the event stream and the long sums excepted).
const REQUEST_TIMEOUT: Duration = Duration::from_secs(30);
/// How long a calibration or a comparison with the past may take.
const SUM_TIMEOUT: Duration = Duration::from_secs(600);
/// How long a client may take over its request's head.
const HEADER_TIMEOUT: Duration = Duration::from_secs(10);
/// How long open requests may go on after the stop signal.
const DRAIN: Duration = Duration::from_secs(3);
/// What one connection may hold back unread, bytes: a slow reader costs no more than this.
const CONNECTION_BUFFER: usize = 64 << 10;

/// What handlers share.
pub struct Web {
    /// The rooms.
    pub app: Arc<App>,
    /// Who has signed in.
    pub door: door::Door,
    /// What happens, for pages that listen.
    pub feed: Arc<feed::Feed>,
    /// The API's description.
    pub description: utoipa::openapi::OpenApi,
}

/// The handlers' state.
pub type Shared = Arc<Web>;

impl Web {
    /// Runs what blocks (the store) away from the event loop.
    ///
    /// # Errors
    /// What `work` says, or that it failed.
    pub async fn off<T: Send + 'static>(
        self: &Arc<Self>,
        work: impl FnOnce(&Web) -> Result<T, Problem> + Send + 'static,
    ) -> Result<T, Problem> {
        let web = Arc::clone(self);
        tokio::task::spawn_blocking(move || work(&web))
            .await
            .unwrap_or_else(|_| Err(Problem::internal()))
    }

    /// Whether pages are served over TLS.
    #[must_use]
    pub fn https(&self) -> bool {
        self.app.config.http.certificate.is_some()
    }
}

/// Everything, on an application. Must be called inside a Tokio runtime: it starts the task that
/// carries the bus to listening pages, which ends with `app.stop`.
pub fn router(app: Arc<App>) -> Router {
    let (quick, description) = api::quick().split_for_parts();
    let (sums, sums_description) = api::sums().split_for_parts();
    let (stream, stream_description) = api::stream().split_for_parts();
    let (files, files_description) = api::files().split_for_parts();
    let mut all = api::describe(description);
    all.merge(sums_description);
    all.merge(stream_description);
    all.merge(files_description);

    let feed = Arc::new(feed::Feed::new(app.clock.now()));
    tokio::spawn(feed::pump(Arc::clone(&feed), Arc::clone(&app)));
    let web: Shared = Arc::new(Web {
        door: door::Door::default(),
        feed,
        description: all,
        app,
    });

    let timeout = |limit| TimeoutLayer::with_status_code(StatusCode::REQUEST_TIMEOUT, limit);
    let api = quick
        .layer(timeout(REQUEST_TIMEOUT))
        .merge(sums.layer(timeout(SUM_TIMEOUT)))
        .merge(stream)
        .layer(middleware::from_fn(problem::as_json));
    let pages = pages::quick()
        .layer(timeout(REQUEST_TIMEOUT))
        .merge(pages::sums().layer(timeout(SUM_TIMEOUT)))
        .layer(middleware::from_fn_with_state(
            Arc::clone(&web),
            pages::problems_as_pages,
        ));

    // They count for themselves what they take, as it goes to the disk.
    let files = files
        .merge(pages::files())
        .layer(timeout(SUM_TIMEOUT))
        .layer(middleware::from_fn(problem::as_json));

    Router::new()
        .merge(api)
        .merge(pages)
        .merge(statics::router())
        .fallback(not_found)
        .layer(RequestBodyLimitLayer::new(BODY_LIMIT))
        .merge(files)
        .layer(middleware::from_fn_with_state(Arc::clone(&web), guard::who))
        .layer(CsrfLayer::new())
        .layer(middleware::from_fn(problem::plain_as_json))
        .layer(middleware::from_fn_with_state(
            Arc::clone(&web),
            guard::host_and_origin,
        ))
        // The default predicate leaves event streams alone.
        .layer(CompressionLayer::new())
        .layer(CatchPanicLayer::custom(
            |_: Box<dyn std::any::Any + Send>| {
                tracing::error!("a request failed by a fault in the program itself");
                axum::response::IntoResponse::into_response(Problem::internal())
            },
        ))
        .layer(middleware::from_fn_with_state(
            Arc::clone(&web),
            guard::headers,
        ))
        .with_state(web)
}

async fn not_found(request: Request) -> Problem {
    Problem::new(
        StatusCode::NOT_FOUND,
        "Nothing here",
        format!("There is no page at {}.", request.uri().path()),
    )
}

/// Why the pages cannot be served.
#[derive(Debug, thiserror::Error)]
pub enum ServeError {
    /// The certificate or key cannot be used.
    #[error("{0} cannot be used for https: {1}")]
    Certificate(String, String),
    /// The listener cannot be used.
    #[error("the pages' listener cannot be used: {0}")]
    Listener(std::io::Error),
}

/// Takes the pages' port. With `any_port_if_busy` (the demo) a taken one becomes any free one.
///
/// # Errors
/// If the address cannot be listened on.
pub async fn bind(listen: &str, any_port_if_busy: bool) -> std::io::Result<TcpListener> {
    let listener = match tokio::net::TcpListener::bind(listen).await {
        Err(error) if any_port_if_busy && error.kind() == std::io::ErrorKind::AddrInUse => {
            let host = listen.rsplit_once(':').map_or(listen, |(host, _)| host);
            tokio::net::TcpListener::bind(format!("{host}:0")).await?
        }
        other => other?,
    };
    listener.into_std()
}

/// What links to the pages begin with: the first of `http.hosts`, else this machine's address on the
/// network where the pages listen on all of them, else where they listen; the port as bound.
#[must_use]
pub fn link_base(http: &crate::config::http::Http, bound: SocketAddr) -> String {
    let scheme = if http.certificate.is_some() {
        "https"
    } else {
        "http"
    };
    let port = bound.port();
    match (http.hosts.first(), network_address()) {
        (Some(name), _) => format!("{scheme}://{name}:{port}"),
        (None, Some(ip)) if bound.ip().is_unspecified() => {
            format!("{scheme}://{}", SocketAddr::new(ip, port))
        }
        _ => format!("{scheme}://{bound}"),
    }
}

/// This machine's address on the network: the one it would send from. A UDP `connect` sends nothing.
#[must_use]
pub fn network_address() -> Option<std::net::IpAddr> {
    let socket = std::net::UdpSocket::bind("0.0.0.0:0").ok()?;
    // 192.0.2.0/24 is for documentation (RFC 5737): nobody is there.
    socket.connect("192.0.2.1:9").ok()?;
    let ip = socket.local_addr().ok()?.ip();
    (!ip.is_unspecified()).then_some(ip)
}

/// Serves until `app.stop`, as one of the daemon's rooms; returns the pages' address as a URL.
///
/// # Errors
/// If the listener or the certificate cannot be used.
pub fn start(
    app: &Arc<App>,
    listener: TcpListener,
    rooms: &mut JoinSet<()>,
) -> Result<String, ServeError> {
    let scheme = if app.config.http.certificate.is_some() {
        "https"
    } else {
        "http"
    };
    let (bound, task) = serve(Arc::clone(app), listener)?;
    rooms.spawn(async move {
        match task.await {
            Ok(Ok(())) => {}
            Ok(Err(error)) => tracing::error!(%error, "the pages are no longer served"),
            Err(error) => tracing::error!(%error, "the pages' task failed"),
        }
    });
    Ok(format!("{scheme}://{bound}"))
}

/// Serves on a listener until `app.stop`; https when a certificate and a key are set. Returns the
/// bound address and the task that ends once the last request is done (within some seconds).
///
/// # Errors
/// If the listener or the certificate cannot be used.
pub fn serve(
    app: Arc<App>,
    listener: TcpListener,
) -> Result<(SocketAddr, JoinHandle<std::io::Result<()>>), ServeError> {
    let bound = listener.local_addr().map_err(ServeError::Listener)?;
    let stop = app.stop.clone();
    let tls = match (&app.config.http.certificate, &app.config.http.key) {
        (Some(certificate), Some(key)) => Some(tls(certificate, key)?),
        _ => None,
    };
    let service = router(app).into_make_service_with_connect_info::<SocketAddr>();
    let handle = axum_server::Handle::new();
    let mut server = axum_server::from_tcp(listener)
        .map_err(ServeError::Listener)?
        .handle(handle.clone())
        .first_request_timeout(HEADER_TIMEOUT);
    server
        .http_builder()
        .http1()
        .header_read_timeout(HEADER_TIMEOUT)
        .max_buf_size(CONNECTION_BUFFER);
    server
        .http_builder()
        .http2()
        .max_send_buf_size(CONNECTION_BUFFER);
    tokio::spawn(async move {
        stop.cancelled().await;
        handle.graceful_shutdown(Some(DRAIN));
    });
    let task = match tls {
        Some(tls) => tokio::spawn(
            server
                .acceptor(axum_server::tls_rustls::RustlsAcceptor::new(tls))
                .serve(service),
        ),
        None => tokio::spawn(server.serve(service)),
    };
    Ok((bound, task))
}

fn tls(
    certificate: &Path,
    key: &Path,
) -> Result<axum_server::tls_rustls::RustlsConfig, ServeError> {
    let wrong = |file: &Path, why: String| ServeError::Certificate(file.display().to_string(), why);
    let chain = CertificateDer::pem_file_iter(certificate)
        .and_then(Iterator::collect::<Result<Vec<_>, _>>)
        .map_err(|e| wrong(certificate, e.to_string()))?;
    let private = PrivateKeyDer::from_pem_file(key).map_err(|e| wrong(key, e.to_string()))?;
    let mut config = rustls::ServerConfig::builder()
        .with_no_client_auth()
        .with_single_cert(chain, private)
        .map_err(|e| wrong(certificate, e.to_string()))?;
    config.alpn_protocols = vec![b"h2".to_vec(), b"http/1.1".to_vec()];
    Ok(axum_server::tls_rustls::RustlsConfig::from_config(
        Arc::new(config),
    ))
}

#[cfg(test)]
mod tests;
#[cfg(test)]
mod tests_of_plans;
