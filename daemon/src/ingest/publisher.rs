//! Messages out over whichever broker is in use (alerts). The connection's owner takes them from
//! the receiving end; publishing waits until the broker has the message.

use bytes::Bytes;
use tokio::sync::{mpsc, oneshot};

/// Messages that may wait for the connection: alerts are few, and the outbox holds the rest.
pub const OUTGOING: usize = 64;

/// One message out.
#[derive(Debug)]
pub struct Outgoing {
    /// Its topic.
    pub topic: String,
    /// Its payload.
    pub payload: Bytes,
    /// Whether the broker is to keep it.
    pub retain: bool,
    /// Told when the broker has it (QoS 1), or why it has not.
    pub done: oneshot::Sender<Result<(), String>>,
}

/// The sending end; cheap to clone.
#[derive(Clone, Debug)]
pub struct Publisher(mpsc::Sender<Outgoing>);

impl Publisher {
    /// Both ends.
    #[must_use]
    pub fn channel() -> (Self, mpsc::Receiver<Outgoing>) {
        let (send, receive) = mpsc::channel(OUTGOING);
        (Self(send), receive)
    }

    /// Publishes at QoS 1 and waits until the broker has it.
    ///
    /// # Errors
    /// Why it has not.
    pub async fn publish(&self, topic: &str, payload: Bytes, retain: bool) -> Result<(), String> {
        let (done, told) = oneshot::channel();
        self.0
            .send(Outgoing {
                topic: topic.to_owned(),
                payload,
                retain,
                done,
            })
            .await
            .map_err(|_| "the connection to the broker has ended".to_owned())?;
        told.await
            .map_err(|_| "the connection to the broker was lost".to_owned())?
    }
}
