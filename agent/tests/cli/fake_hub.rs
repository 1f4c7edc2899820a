//! A tiny HTTP server that answers by script and remembers what it was asked.

use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::mpsc::{Receiver, channel};
use std::thread::JoinHandle;

/// One request.
#[derive(Debug)]
pub(crate) struct Asked {
    pub(crate) path: String,
    /// Unpacked.
    pub(crate) body: Vec<u8>,
}

/// What to answer.
#[derive(Debug, Clone)]
pub(crate) enum Script {
    /// Status, extra header lines, body.
    Answer(u16, &'static str, &'static str),
    /// Takes the request and never answers.
    Silence,
}

pub(crate) const STORED: Script =
    Script::Answer(200, "", r#"{"results":[{"state":"stored"}],"check_wanted_by":null}"#);

pub(crate) struct FakeHub {
    pub(crate) url: String,
    asked: Receiver<Asked>,
    server: Option<JoinHandle<Vec<TcpStream>>>,
}

impl FakeHub {
    /// Answers as many requests as the script has lines, one connection each.
    pub(crate) fn new(script: Vec<Script>) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let url = format!("http://{}", listener.local_addr().unwrap());
        let (tell, asked) = channel();
        let server = std::thread::spawn(move || {
            let mut silent = Vec::new();
            for line in script {
                let Ok((mut stream, _)) = listener.accept() else { break };
                let request = read_request(&mut stream);
                if tell.send(request).is_err() {
                    break;
                }
                match line {
                    Script::Silence => silent.push(stream),
                    Script::Answer(status, headers, body) => {
                        let answer = format!(
                            "HTTP/1.1 {status} x\r\n{headers}Content-Length: {}\r\nConnection: close\r\n\r\n{body}",
                            body.len()
                        );
                        stream.write_all(answer.as_bytes()).unwrap();
                    }
                }
            }
            silent
        });
        Self { url, asked, server: Some(server) }
    }

    /// The next request; waits for it.
    pub(crate) fn asked(&self) -> Asked {
        self.asked.recv().unwrap()
    }

    /// All requests that came, after the script's end.
    pub(crate) fn all_asked(mut self) -> Vec<Asked> {
        let server = self.server.take().unwrap();
        drop(server.join().unwrap());
        self.asked.try_iter().collect()
    }
}

fn read_request(stream: &mut TcpStream) -> Asked {
    let mut bytes = Vec::new();
    let mut block = [0_u8; 8192];
    let (head, body_at, length) = loop {
        let n = stream.read(&mut block).unwrap();
        assert!(n > 0, "the request broke off");
        bytes.extend_from_slice(&block[..n]);
        if let Some(at) = bytes.windows(4).position(|w| w == b"\r\n\r\n") {
            let head = String::from_utf8(bytes[..at].to_vec()).unwrap();
            let length = header(&head, "content-length").map_or(0, |v| v.parse().unwrap());
            if bytes.len() >= at + 4 + length {
                break (head, at + 4, length);
            }
        }
    };
    let body = &bytes[body_at..body_at + length];
    let packed = header(&head, "content-encoding").as_deref() == Some("zstd");
    Asked {
        path: head.split(' ').nth(1).unwrap().to_owned(),
        body: if packed { zstd::decode_all(body).unwrap() } else { body.to_vec() },
    }
}

fn header(head: &str, name: &str) -> Option<String> {
    head.lines().find_map(|l| {
        let (key, value) = l.split_once(':')?;
        key.eq_ignore_ascii_case(name).then(|| value.trim().to_owned())
    })
}
