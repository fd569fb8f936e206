//! Against a broker that says byte by byte what MQTT 5.0 (OASIS standard, 7 March 2019) lays down; the
//! sections are named beside each packet. What a real broker makes of it all is in `tests/outside.rs`.

use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::TcpListener;

use super::super::link::{Link, Sender, Version};
use super::*;

/// How long anything here may take to happen.
const SOON: Duration = Duration::from_secs(20);

/// CONNACK (3.2) without properties: accepted, no session.
const ACCEPTED: [u8; 5] = [0x20, 3, 0, 0, 0];

struct Broker {
    listener: TcpListener,
    stream: TcpStream,
    /// The link's CONNECT (3.1) behind its length.
    connect: Vec<u8>,
}

impl Broker {
    /// Lets a link connect to a broker that takes it, with these CONNACK properties (3.2).
    async fn with(properties: &[u8], kept: bool) -> (Self, Link) {
        let length = properties.len() as u8;
        let mut answer = vec![0x20, 3 + length, 0, 0, length];
        answer.extend(properties);
        let (broker, link, connected) = Self::answering(&answer, kept).await;
        let connected = connected.unwrap();
        assert!(matches!(
            connected,
            Happening::Connected {
                session_kept: false
            }
        ));
        (broker, link)
    }

    /// The same to one that answers so, and what the link makes of it.
    async fn answering(answer: &[u8], kept: bool) -> (Self, Link, Result<Happening, LinkError>) {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let port = listener.local_addr().unwrap().port();
        let settings = Settings::plain("127.0.0.1".into(), port, None);
        let make = if kept { Link::new } else { Link::visitor };
        let mut link = make(&settings, "oven-light", Version::Five);
        let (accepted, polled) = tokio::join!(accept(&listener, answer), link.poll());
        let (stream, connect) = accepted;
        let broker = Self {
            listener,
            stream,
            connect,
        };
        (broker, link, polled)
    }

    async fn say(&mut self, bytes: &[u8]) {
        self.stream.write_all(bytes).await.unwrap();
    }

    /// What the link sends next, while it is polled.
    async fn hears(&mut self, link: &mut Link, bytes: usize) -> Vec<u8> {
        let mut heard = vec![0; bytes];
        let polling = async {
            loop {
                link.poll().await.unwrap();
            }
        };
        let reading = async {
            tokio::select! {
                read = self.stream.read_exact(&mut heard) => drop(read.unwrap()),
                () = polling => {}
            }
        };
        tokio::time::timeout(SOON, reading).await.unwrap();
        heard
    }
}

/// Takes the next connection and answers its CONNECT so.
async fn accept(listener: &TcpListener, answer: &[u8]) -> (TcpStream, Vec<u8>) {
    let (mut stream, _) = listener.accept().await.unwrap();
    let mut head = [0; 2];
    stream.read_exact(&mut head).await.unwrap();
    assert_eq!(head[0], 0x10);
    let mut connect = vec![0; usize::from(head[1])];
    stream.read_exact(&mut connect).await.unwrap();
    stream.write_all(answer).await.unwrap();
    (stream, connect)
}

async fn happened(link: &mut Link) -> Happening {
    tokio::time::timeout(SOON, link.poll())
        .await
        .unwrap()
        .unwrap()
}

async fn lost(link: &mut Link) -> LinkError {
    let lost = async {
        loop {
            if let Err(lost) = link.poll().await {
                return lost;
            }
        }
    };
    tokio::time::timeout(SOON, lost).await.unwrap()
}

fn ours(link: &Link, text: &'static str) {
    assert!(
        link.sender()
            .publish("dough/said".into(), text.into(), false)
    );
}

#[tokio::test]
async fn every_message_is_handed_on_in_order_and_acknowledged_when_told() {
    const COUNT: u16 = 1000;
    let (mut broker, mut link) = Broker::with(&[], true).await;
    let mut said = Vec::new();
    for id in 1..=COUNT {
        // PUBLISH at QoS 1 (3.3): topic, identifier, no properties, payload.
        said.extend([0x32, 11, 0, 5]);
        said.extend(b"k/box");
        said.extend(id.to_be_bytes());
        said.extend([0, b'2']);
    }
    // In two pieces, the first of which ends within a message.
    let (first, second) = said.split_at(13 * 500 + 3);
    let mut ids = Vec::new();
    for (piece, whole) in [(first, 500), (second, COUNT)] {
        broker.say(piece).await;
        while ids.len() < usize::from(whole) {
            let mut next = Some(happened(&mut link).await);
            while let Some(Happening::Message(message)) = next {
                assert_eq!((&*message.topic, &*message.payload), ("k/box", &b"2"[..]));
                ids.push(message.packet.unwrap());
                next = link.came_along();
            }
        }
    }
    assert_eq!(ids, (1..=COUNT).collect::<Vec<_>>());
    // None has been acknowledged: the first that the broker hears of is the third.
    let sender = link.sender();
    for id in [3, 1, 2].into_iter().chain(4..=COUNT) {
        assert!(sender.try_ack(id));
    }
    // They leave together.
    happened(&mut link).await;
    let mut heard = vec![0; 4 * usize::from(COUNT)];
    let all = broker.stream.read_exact(&mut heard);
    tokio::time::timeout(SOON, all).await.unwrap().unwrap();
    // PUBACK (3.4), its reason left out: it is 0.
    let expected = [3, 1, 2].into_iter().chain(4..=COUNT);
    let expected = expected.flat_map(|id| [0x40, 2, (id >> 8) as u8, id as u8]);
    assert_eq!(heard, expected.collect::<Vec<_>>());
}

#[tokio::test]
async fn a_visitor_acknowledges_by_itself() {
    let (mut broker, mut link) = Broker::with(&[], false).await;
    broker
        .say(&[0x32, 8, 0, 1, b'k', 0, 7, 0, b'2', b'1'])
        .await;
    assert_eq!(broker.hears(&mut link, 4).await, [0x40, 2, 0, 7]);
}

/// "Receive Maximum" in the broker's answer (3.2.2.3.3): no more of ours are under way at once.
#[tokio::test]
async fn no_more_are_under_way_than_the_broker_takes() {
    let (mut broker, mut link) = Broker::with(&[0x21, 0, 2], true).await;
    for text in ["a", "b", "c"] {
        ours(&link, text);
    }
    let published = |id: u8, text: u8| {
        let mut bytes = vec![0x32, 16, 0, 10];
        bytes.extend(b"dough/said");
        bytes.extend([0, id, 0, text]);
        bytes
    };
    let two = broker.hears(&mut link, 2 * 18).await;
    assert_eq!(two, [published(1, b'a'), published(2, b'b')].concat());
    // The third waits for an answer, however long there is none.
    let mut byte = [0];
    tokio::select! {
        read = broker.stream.read(&mut byte) => panic!("{read:?} {byte:?}"),
        happening = happened(&mut link) => panic!("{happening:?}"),
        () = tokio::time::sleep(Duration::from_millis(300)) => {}
    }
    // PUBACK of the first, "no matching subscribers" (3.4.2.1).
    broker.say(&[0x40, 3, 0, 1, 0x10]).await;
    assert!(matches!(
        happened(&mut link).await,
        Happening::Taken(1, Ok(()))
    ));
    let Happening::Sent(third) = happened(&mut link).await else {
        panic!("the third did not leave");
    };
    assert_eq!(
        broker.hears(&mut link, 18).await,
        published(third as u8, b'c')
    );
    // Of the second, "quota exceeded".
    broker.say(&[0x40, 3, 0, 2, 0x97]).await;
    let refused = loop {
        if let Happening::Taken(2, taken) = happened(&mut link).await {
            break taken;
        }
    };
    assert!(refused.unwrap_err().contains("QuotaExceeded"));
}

/// "Maximum Packet Size" in the broker's answer (3.2.2.3.6): what is larger is not sent, whoever
/// published it hears why, and the connection lives on.
#[tokio::test]
async fn a_message_larger_than_the_broker_takes_is_not_sent_and_told() {
    let (mut broker, mut link) = Broker::with(&[0x27, 0, 0, 0, 18], true).await;
    for text in ["a", "bb", "c"] {
        ours(&link, text);
    }
    let mut told = Vec::new();
    while told.len() < 4 {
        match happened(&mut link).await {
            Happening::Sent(packet) => told.push(format!("{packet} left")),
            Happening::Taken(packet, Err(why)) => told.push(format!("{packet}: {why}")),
            Happening::Nothing => {}
            other => panic!("{other:?}"),
        }
    }
    let too_large = "2: it is larger than the 18 bytes this broker takes in a message";
    assert_eq!(told, ["1 left", "2 left", too_large, "3 left"]);
    let heard = broker.hears(&mut link, 2 * 18).await;
    assert_eq!((heard[17], heard[35]), (b'a', b'c'), "{heard:?}");
    // The others are answered as ever.
    broker.say(&[0x40, 2, 0, 3]).await;
    assert!(matches!(
        happened(&mut link).await,
        Happening::Taken(3, Ok(()))
    ));
}

/// "Server Keep Alive" (3.2.2.3.14) of a second: PINGREQ (3.12) comes, and whoever does not answer is
/// taken for lost.
#[tokio::test]
async fn a_broker_that_no_longer_answers_is_lost() {
    let (mut broker, mut link) = Broker::with(&[0x13, 0, 1], true).await;
    assert_eq!(broker.hears(&mut link, 2).await, [0xc0, 0]);
    broker.say(&[0xd0, 0]).await;
    assert_eq!(broker.hears(&mut link, 2).await, [0xc0, 0]);
    let lost = lost(&mut link).await;
    assert_eq!(lost.why, "it no longer answers");
    assert!(!lost.other_version);
}

/// We paused, and the answer to the last question came meanwhile: the broker is not lost.
#[tokio::test]
async fn a_pause_of_ours_is_not_held_against_the_broker() {
    for _ in 0..3 {
        let (mut broker, mut link) = Broker::with(&[0x13, 0, 1], true).await;
        assert_eq!(broker.hears(&mut link, 2).await, [0xc0, 0]);
        broker.say(&[0xd0, 0]).await;
        tokio::time::sleep(Duration::from_millis(1_200)).await;
        // The next question is due, and the answer is there: either may come first.
        assert_eq!(broker.hears(&mut link, 2).await, [0xc0, 0]);
    }
}

#[tokio::test]
async fn what_is_read_ahead_is_bounded_in_bytes() {
    const BYTES: usize = 100_000;
    let (mut broker, mut link) = Broker::with(&[], true).await;
    let mut said = Vec::new();
    for _ in 0..30 {
        // PUBLISH at QoS 0: its remaining length, of 4 + BYTES, in three bytes of seven bits (1.5.5).
        said.extend([0x30, 0xa4, 0x8d, 0x06, 0, 1, b'k', 0]);
        said.extend(std::iter::repeat_n(b'2', BYTES));
    }
    let taken = async {
        let mut taken = 0;
        while taken < 30 {
            let mut together = 0;
            let mut next = Some(happened(&mut link).await);
            while let Some(happening) = next {
                together += usize::from(matches!(happening, Happening::Message(_)));
                next = link.came_along();
            }
            assert!(together <= TOGETHER_BYTES / BYTES + 1, "{together}");
            taken += together;
            // The rest is there by then.
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    };
    tokio::join!(broker.say(&said), taken);
}

#[tokio::test]
async fn what_the_broker_says_against_us_is_told() {
    // CONNACK (3.2.2.2): not authorized.
    let (_, _, polled) = Broker::answering(&[0x20, 3, 0, 0x87, 0], true).await;
    let refused = polled.unwrap_err();
    assert_eq!(refused.why, "the broker refuses this user or password");
    assert!(!refused.other_version);
    // Unsupported protocol version: perhaps the older one will do.
    let (_, _, polled) = Broker::answering(&[0x20, 3, 0, 0x84, 0], true).await;
    assert!(polled.unwrap_err().other_version);
    // DISCONNECT (3.14): session taken over.
    let (mut broker, mut link) = Broker::with(&[], true).await;
    broker.say(&[0xe0, 2, 0x8e, 0]).await;
    let ended = link.poll().await.unwrap_err();
    assert!(ended.why.contains("SessionTakenOver"), "{}", ended.why);
    // It has nothing to say any more.
    let (broker, mut link) = Broker::with(&[], true).await;
    drop(broker);
    let ended = link.poll().await.unwrap_err();
    assert_eq!(ended.why, "it closed the connection");
    assert!(!ended.other_version);
}

/// What was to be sent on a lost connection, or while there is none, is not sent on the next: its
/// identifiers are another's by then.
#[tokio::test]
async fn nothing_is_carried_over_to_the_next_connection() {
    let (mut broker, mut link) = Broker::with(&[], true).await;
    ours(&link, "before");
    broker.hears(&mut link, 23).await;
    broker.stream.shutdown().await.unwrap();
    lost(&mut link).await;
    ours(&link, "between");
    assert!(link.sender().try_ack(9));
    link.forget();
    let ((mut stream, _), polled) = tokio::join!(accept(&broker.listener, &ACCEPTED), link.poll());
    assert!(matches!(polled.unwrap(), Happening::Connected { .. }));
    assert!(link.sender().try_ack(10));
    happened(&mut link).await;
    let mut heard = [0; 4];
    stream.read_exact(&mut heard).await.unwrap();
    assert_eq!(heard, [0x40, 2, 0, 10]);
}

/// What came before the end of a connection is handed on.
#[tokio::test]
async fn what_came_before_the_end_is_taken() {
    let (mut broker, mut link) = Broker::with(&[], true).await;
    let mut said = Vec::new();
    for value in *b"123" {
        // PUBLISH at QoS 0, which no broker would say again.
        said.extend([0x30, 5, 0, 1, b'k', 0, value]);
    }
    // DISCONNECT (3.14): the server shuts down.
    said.extend([0xe0, 2, 0x8b, 0]);
    broker.say(&said).await;
    broker.stream.shutdown().await.unwrap();
    for value in *b"123" {
        let Happening::Message(message) = happened(&mut link).await else {
            panic!("a message is missing");
        };
        assert_eq!((&*message.payload, message.packet), (&[value][..], None));
    }
    let lost = lost(&mut link).await;
    assert!(lost.why.contains("ServerShuttingDown"), "{}", lost.why);
}

/// What we say of ourselves (3.1.2, 3.1.3).
#[tokio::test]
async fn a_kept_session_has_a_will_and_a_visitor_has_neither() {
    let says = |begin: &[u8], end: &[u8]| {
        let receive_maximum = RECEIVE_MAXIMUM.to_be_bytes();
        let packet_size = u32::try_from(MAX_PACKET).unwrap().to_be_bytes();
        [
            b"\0\x04MQTT\x05",
            begin,
            b"\x21",
            &receive_maximum,
            b"\x27",
            &packet_size,
            b"\0\x0aoven-light",
            end,
        ]
        .concat()
    };
    let (broker, _) = Broker::with(&[], true).await;
    // Will, retained, at QoS 1; 20 s; the session kept for 30 days.
    let kept = says(
        b"\x2c\0\x14\x0d\x11\0\x27\x8d\0",
        b"\0\0\x12doughwarden/status\0\x07offline",
    );
    assert_eq!(broker.connect, kept);
    let (broker, _) = Broker::with(&[], false).await;
    // A clean start.
    assert_eq!(broker.connect, says(b"\x02\0\x14\x08", b""));
}

#[test]
fn a_broker_may_ask_for_more_pings_and_fewer_messages_but_not_for_none() {
    let s = Duration::from_secs;
    let asked = [None, Some(0), Some(5), Some(u16::MAX)];
    assert_eq!(asked.map(pings_every), [s(20), s(20), s(5), s(20)]);
    assert_eq!(asked.map(in_flight), [64, 64, 5, 64]);
}

#[test]
fn a_topic_that_cannot_be_published_to_is_refused() {
    let settings = Settings::plain("127.0.0.1".into(), 1, None);
    let link = Link::new(&settings, "oven-light", Version::Five);
    let Sender::Five(sender) = link.sender() else {
        panic!("MQTT 5")
    };
    assert!(!sender.publish("dough/#".into(), "x".into(), false));
}
