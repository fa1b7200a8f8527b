//! A collector of traces on this machine: takes OTLP over HTTP in protobuf and keeps what it was sent, or is out of order in
//! one of the ways of collectors.

#![allow(dead_code, reason = "each test uses its part")]

use opentelemetry_proto::tonic::collector::trace::v1::{
    ExportTracePartialSuccess, ExportTraceServiceRequest, ExportTraceServiceResponse,
};
use opentelemetry_proto::tonic::common::v1::{KeyValue, any_value::Value};
use opentelemetry_proto::tonic::trace::v1::Span;
use prost::Message;
use std::collections::BTreeMap;
use std::io::{Read, Write};
use std::net::TcpListener;
use std::sync::{Arc, Mutex};
use std::time::Duration;

/// How it answers.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mode {
    /// As it should.
    Good,
    /// With an error.
    Status(u16),
    /// Never.
    Hangs,
    /// With something that is no answer of a collector.
    Garbage,
    /// It takes all but so many spans.
    Rejects(i64),
}

/// What it was sent in one request.
pub struct Taken {
    /// Request line and headers.
    pub head: String,
    /// The body.
    pub body: Vec<u8>,
}

pub struct Collector {
    /// Address and port.
    pub at: String,
    taken: Arc<Mutex<Vec<Taken>>>,
}

impl Collector {
    pub fn new(mode: Mode) -> Self {
        Self::over(mode, None)
    }

    /// The same over TLS, where a configuration is given.
    pub fn over(mode: Mode, tls: Option<Arc<rustls::ServerConfig>>) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let at = listener.local_addr().unwrap().to_string();
        let taken = Arc::<Mutex<Vec<Taken>>>::default();
        let own = taken.clone();
        std::thread::spawn(move || {
            for stream in listener.incoming() {
                let (Ok(stream), own, tls) = (stream, own.clone(), tls.clone()) else { continue };
                std::thread::spawn(move || match tls {
                    None => serve(stream, mode, &own),
                    Some(tls) => {
                        let connection = rustls::ServerConnection::new(tls).unwrap();
                        serve(rustls::StreamOwned::new(connection, stream), mode, &own);
                    }
                });
            }
        });
        Self { at, taken }
    }

    /// The lines of a traces file for it.
    pub fn file(&self) -> String {
        format!("endpoint = \"http://{}/v1/traces\"\nprivate-addresses = true\n", self.at)
    }

    /// Bodies as they came.
    pub fn bodies(&self) -> Vec<Vec<u8>> {
        self.taken.lock().unwrap().iter().map(|taken| taken.body.clone()).collect()
    }

    pub fn heads(&self) -> Vec<String> {
        self.taken.lock().unwrap().iter().map(|taken| taken.head.clone()).collect()
    }

    /// What each body says.
    pub fn requests(&self) -> Vec<ExportTraceServiceRequest> {
        self.bodies().iter().map(|body| ExportTraceServiceRequest::decode(&**body).unwrap()).collect()
    }

    /// All spans so far.
    pub fn spans(&self) -> Vec<Span> {
        let resources = self.requests().into_iter().flat_map(|request| request.resource_spans);
        resources.flat_map(|resource| resource.scope_spans).flat_map(|scope| scope.spans).collect()
    }
}

/// Attributes by name, as text.
pub fn attributes(of: &[KeyValue]) -> BTreeMap<String, String> {
    let text = |value: &KeyValue| match value.value.as_ref().and_then(|value| value.value.as_ref()) {
        Some(Value::StringValue(text)) => text.clone(),
        Some(Value::IntValue(number)) => number.to_string(),
        other => format!("{other:?}"),
    };
    of.iter().map(|one| (one.key.clone(), text(one))).collect()
}

fn serve(mut stream: impl Read + Write, mode: Mode, taken: &Mutex<Vec<Taken>>) {
    let mut request = Vec::new();
    let mut part = [0; 16 << 10];
    let (head, body) = loop {
        match stream.read(&mut part) {
            Ok(0) | Err(_) => return,
            Ok(read) => request.extend_from_slice(&part[..read]),
        }
        let Some(end) = request.windows(4).position(|four| four == b"\r\n\r\n") else { continue };
        let head = String::from_utf8_lossy(&request[..end]).into_owned();
        let length = head
            .to_lowercase()
            .split("content-length: ")
            .nth(1)
            .map_or(0, |rest| rest.split("\r\n").next().unwrap().parse::<usize>().unwrap());
        if request.len() >= end + 4 + length {
            break (head, request[end + 4..end + 4 + length].to_vec());
        }
    };
    taken.lock().unwrap().push(Taken { head, body });
    let said = |rejected| {
        let partial = ExportTracePartialSuccess { rejected_spans: rejected, error_message: "MARKED words".to_owned() };
        ExportTraceServiceResponse { partial_success: (rejected > 0).then_some(partial) }.encode_to_vec()
    };
    let (status, body) = match mode {
        Mode::Good => (200, said(0)),
        Mode::Rejects(spans) => (200, said(spans)),
        Mode::Garbage => (200, b"<html>MARKED</html>".to_vec()),
        Mode::Status(status) => (status, b"MARKED words".to_vec()),
        Mode::Hangs => loop {
            std::thread::sleep(Duration::from_secs(3600));
        },
    };
    let head = format!(
        "HTTP/1.1 {status} X\r\ncontent-type: application/x-protobuf\r\ncontent-length: {}\r\nlocation: /MARKED\r\nconnection: close\r\n\r\n",
        body.len()
    );
    let _ = stream.write_all(&[head.as_bytes(), &body].concat());
    let _ = stream.flush();
}
