//! Which topics an outside broker is asked for, and when again.

use super::*;

/// A broker that keeps our session has not always our subscriptions: it hung up before it had answered
/// them (MQTT 5.0, 3.8 and 3.9), or came back from an older copy of itself. It is asked again each time.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_broker_that_kept_our_session_is_asked_for_our_subscriptions_again() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let url = format!("mqtt://{}", listener.local_addr().unwrap());
    let dir = scratch();
    let kitchen = Kitchen::open(dir.path(), |c| c.mqtt.broker = Some(Secret(url))).await;
    let (said, heard) = std::sync::mpsc::channel();
    let (go, gone) = std::sync::mpsc::channel::<()>();
    let broker = std::thread::spawn(move || {
        for answers in [false, true, true] {
            let (mut stream, _) = listener.accept().unwrap();
            stream.set_read_timeout(Some(SOON)).unwrap();
            assert_eq!(packet(&mut stream).0, 0x10, "CONNECT");
            // CONNACK: the session is there, but no subscription of ours is.
            stream.write_all(&[0x20, 3, 1, 0, 0]).unwrap();
            let mut asked = false;
            loop {
                let (kind, body) = packet(&mut stream);
                match kind & 0xf0 {
                    0x80 if answers => {
                        asked = true;
                        // Two filters, both granted at QoS 1.
                        let answer = [0x90, 5, body[0], body[1], 0, 1, 1];
                        stream.write_all(&answer).unwrap();
                    }
                    0x80 => {
                        asked = true;
                        break;
                    }
                    // "online": the last thing it says by itself.
                    0x30 => {
                        let topic = usize::from(body[1]);
                        let answer = [0x40, 2, body[2 + topic], body[3 + topic]];
                        stream.write_all(&answer).unwrap();
                        if answers {
                            break;
                        }
                    }
                    other => panic!("{other:x}"),
                }
            }
            said.send(asked).unwrap();
            if answers {
                gone.recv().unwrap();
            }
        }
    });
    let asked = || heard.recv_timeout(SOON).unwrap();
    assert!(asked());
    assert!(asked(), "it was never answered");
    kitchen.wait_ready().await;
    go.send(()).unwrap();
    assert!(asked(), "it came back without them");
    kitchen.wait_ready().await;
    go.send(()).unwrap();
    broker.join().unwrap();
    kitchen.started.stop().await;
}

/// The next packet: its first byte and what follows its length.
fn packet(stream: &mut TcpStream) -> (u8, Vec<u8>) {
    let mut byte = [0];
    let mut next = |stream: &mut TcpStream| {
        stream.read_exact(&mut byte).unwrap();
        byte[0]
    };
    let kind = next(stream);
    let (mut length, mut shift) = (0, 0);
    loop {
        let digit = next(stream);
        length |= usize::from(digit & 0x7f) << shift;
        shift += 7;
        if digit & 0x80 == 0 {
            break;
        }
    }
    let mut body = vec![0; length];
    stream.read_exact(&mut body).unwrap();
    (kind, body)
}

#[tokio::test]
async fn a_topic_that_another_covers_is_asked_for_only_where_that_is_refused() {
    let dir = scratch();
    let wide = json!({"name":"{1}","topic":"kitchen/+","quantity":"humidity","unit":"%RH"});
    let kitchen = Kitchen::open(dir.path(), |c| c.sensor.push(sensor(wide))).await;
    let mappings = kitchen.app.board.mappings();
    let set = |topics: &[&str]| topics.iter().map(|t| (*t).to_owned()).collect();
    let asked = |refused: &[&str]| mappings.filters(&set(refused));
    assert_eq!(asked(&[]), set(&["kitchen/+"]));
    let each = set(&["kitchen/+", "kitchen/box", "kitchen/timed"]);
    assert_eq!(asked(&["kitchen/+"]), each);
    kitchen.started.stop().await;
}

/// A refused topic (SUBACK's 0x87, MQTT 5.0, 3.9.3) covers nothing: what it would have covered is asked
/// for by itself, and heard.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_a_refused_topic_would_have_covered_is_heard_all_the_same() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let url = format!("mqtt://{}", listener.local_addr().unwrap());
    let dir = scratch();
    let wide = json!({"name":"{1}","topic":"kitchen/+","quantity":"humidity","unit":"%RH"});
    let kitchen = Kitchen::open(dir.path(), |c| {
        c.mqtt.broker = Some(Secret(url));
        c.sensor.push(sensor(wide));
    })
    .await;
    let broker = std::thread::spawn(move || {
        let (mut stream, _) = listener.accept().unwrap();
        stream.set_read_timeout(Some(SOON)).unwrap();
        assert_eq!(packet(&mut stream).0, 0x10, "CONNECT");
        stream.write_all(&[0x20, 3, 0, 0, 0]).unwrap();
        let mut asked = Vec::new();
        while asked.iter().all(|t| t != "kitchen/box") {
            let (kind, body) = packet(&mut stream);
            if kind & 0xf0 != 0x80 {
                continue;
            }
            // Behind identifier and (no) properties: each a length, the topic and its options.
            let mut rest = &body[3..];
            let mut answer = vec![0x90, 0, body[0], body[1], 0];
            while let [high, low, topic @ ..] = rest {
                let (topic, behind) = topic.split_at(usize::from(*high) * 256 + usize::from(*low));
                answer.push(if topic == b"kitchen/+" { 0x87 } else { 1 });
                asked.push(String::from_utf8(topic.to_vec()).unwrap());
                rest = &behind[1..];
            }
            answer[1] = u8::try_from(answer.len() - 2).unwrap();
            stream.write_all(&answer).unwrap();
        }
        // PUBLISH at QoS 0 (3.3).
        stream
            .write_all(b"\x30\x10\x00\x0bkitchen/box\x0024")
            .unwrap();
        (stream, asked)
    });
    kitchen.wait_for(1).await;
    let (_stream, asked) = broker.join().unwrap();
    assert_eq!(
        asked[0], "kitchen/+",
        "alone at first: it covers the others"
    );
    assert!(!kitchen.app.health.ready(), "one topic is refused");
    kitchen.started.stop().await;
}
