//! wip
use super::writer::Message;
use super::*;
#[derive(Debug)]
pub struct Running {
    pub url: String,
}
impl Running {
    pub async fn stop(self) {}
}
pub(super) fn start(
    _app: &Arc<App>,
    _url: &str,
    _m: mpsc::Sender<Message>,
    _o: mpsc::Receiver<Outgoing>,
) -> Result<Running, IngestError> {
    Err(IngestError::Broker("wip".into()))
}
pub(super) async fn check(_c: &Config, _u: &str) -> Result<String, String> {
    Err("wip".into())
}
