//! Requests sent at a steady rate whether or not they are answered, as callers do: `overload ADDR:PORT PATH FILE RATE
//! SECONDS CONNECTIONS`, one request body a line in FILE. A request that is due when all connections wait for answers waits
//! as well, and that counts. Prints one line of JSON: what was due, answered with 200, turned away (503), and not answered; for those
//! that were answered with 200 the time from when a request was due to its answer (p50, p99, greatest, µs), and from when it was
//! sent, with the connection where a new one was needed (sent_p50, sent_p99, sent_greatest).

use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::sync::Mutex;

/// Sends a request over a connection and reads the answer; gives its status and whether the connection stays open.
async fn exchange(stream: &mut TcpStream, request: &[u8], buffer: &mut Vec<u8>) -> std::io::Result<(u16, bool)> {
    stream.write_all(request).await?;
    buffer.clear();
    let (mut head, mut whole) = (None, usize::MAX);
    while buffer.len() < whole {
        if stream.read_buf(buffer).await? == 0 {
            return Err(std::io::ErrorKind::UnexpectedEof.into());
        }
        if head.is_none()
            && let Some(end) = buffer.windows(4).position(|w| w == b"\r\n\r\n")
        {
            let text = String::from_utf8_lossy(&buffer[..end]).to_ascii_lowercase();
            let length = text.lines().find_map(|l| l.strip_prefix("content-length:")?.trim().parse::<usize>().ok());
            whole = end + 4 + length.unwrap_or(0);
            head =
                Some((text.get(9..12).and_then(|s| s.parse().ok()).unwrap_or(0), !text.contains("connection: close")));
        }
    }
    head.ok_or_else(|| std::io::ErrorKind::InvalidData.into())
}

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    // Under `cargo test --benches` there is nothing to measure.
    let [address, path, file, rate, seconds, connections] = arguments.as_slice() else { return };
    let (rate, seconds): (f64, f64) = (rate.parse().expect("a rate"), seconds.parse().expect("seconds"));
    let connections: usize = connections.parse().expect("connections");
    let text = std::fs::read(file).expect("the bodies");
    let requests: Vec<Vec<u8>> = text
        .split(|b| *b == b'\n')
        .filter(|body| !body.is_empty())
        .map(|body| {
            let mut out = format!("POST {path} HTTP/1.1\r\nhost: {address}\r\ncontent-type: application/json\r\ncontent-length: {}\r\n\r\n", body.len()).into_bytes();
            out.extend_from_slice(body);
            out
        })
        .collect();
    let requests = Arc::new(requests);
    let due = (rate * seconds) as usize;
    let (next, answered, turned_away, lost) = (
        Arc::new(AtomicUsize::new(0)),
        Arc::new(Mutex::new(Vec::new())),
        Arc::new(AtomicUsize::new(0)),
        Arc::new(AtomicUsize::new(0)),
    );
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    runtime.block_on(async {
        let started = Instant::now();
        let mut tasks = tokio::task::JoinSet::new();
        for _ in 0..connections {
            let (requests, next, answered, turned_away, lost, address) =
                (requests.clone(), next.clone(), answered.clone(), turned_away.clone(), lost.clone(), address.clone());
            tasks.spawn(async move {
                let (mut stream, mut buffer, mut times) = (None, Vec::with_capacity(16 << 10), Vec::new());
                loop {
                    let mine = next.fetch_add(1, Ordering::Relaxed);
                    if mine >= due {
                        break;
                    }
                    let at = started + Duration::from_secs_f64(mine as f64 / rate);
                    tokio::time::sleep_until(at.into()).await;
                    // What is not sent a second after it was due has been given up by its caller.
                    if at.elapsed() > Duration::from_secs(1) {
                        lost.fetch_add(1, Ordering::Relaxed);
                        continue;
                    }
                    let sent = Instant::now();
                    if stream.is_none() {
                        stream = TcpStream::connect(&address).await.ok();
                    }
                    let Some(open) = &mut stream else {
                        lost.fetch_add(1, Ordering::Relaxed);
                        continue;
                    };
                    match exchange(open, &requests[mine % requests.len()], &mut buffer).await {
                        Ok((status, stays)) => {
                            match status {
                                200 => times.push((at.elapsed().as_micros() as u64, sent.elapsed().as_micros() as u64)),
                                503 => drop(turned_away.fetch_add(1, Ordering::Relaxed)),
                                _ => drop(lost.fetch_add(1, Ordering::Relaxed)),
                            }
                            if !stays {
                                stream = None;
                            }
                        }
                        Err(_) => {
                            lost.fetch_add(1, Ordering::Relaxed);
                            stream = None;
                        }
                    }
                }
                answered.lock().await.extend(times);
            });
        }
        while tasks.join_next().await.is_some() {}
    });
    let times: Vec<(u64, u64)> = runtime.block_on(async { std::mem::take(&mut *answered.lock().await) });
    let sorted = |of: fn(&(u64, u64)) -> u64| {
        let mut all: Vec<u64> = times.iter().map(of).collect();
        all.sort_unstable();
        all
    };
    let (due_times, sent) = (sorted(|(due, _)| *due), sorted(|(_, sent)| *sent));
    let at =
        |of: &[u64], share: f64| of.get(((of.len() as f64 * share) as usize).min(of.len().saturating_sub(1))).copied();
    println!(
        "{}",
        serde_json::json!({
            "due": due, "answered": times.len(), "turned_away": turned_away.load(Ordering::Relaxed),
            "not_answered": lost.load(Ordering::Relaxed), "p50": at(&due_times, 0.5), "p99": at(&due_times, 0.99),
            "greatest": due_times.last(), "sent_p50": at(&sent, 0.5), "sent_p99": at(&sent, 0.99),
            "sent_greatest": sent.last()})
    );
}
