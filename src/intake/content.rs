//! What a resource says, whatever way it is written: spaces, the order of members and what a server keeps in `meta` by
//! itself do not count.

use super::json::{Document, Kind, Limits, Node};
use data_encoding::HEXLOWER;
use sha2::{Digest, Sha256};

/// Hash of a resource's content, in hexadecimal digits: the same whatever its layout and the order of its members.
pub fn content_hash(order: Node<'_>) -> String {
    let mut text = Vec::with_capacity(order.raw().len());
    write_content(order, true, &mut text);
    HEXLOWER.encode(&Sha256::digest(text))
}

/// Hash of the content of a resource as it was sent, where it can be read.
pub fn content_hash_of(order: &str) -> Option<String> {
    // It was accepted once, by whichever bounds its way in has: they differ, and its own size bounds it here.
    let limits = Limits { bytes: order.len(), string: order.len(), array: order.len(), ..Limits::default() };
    let document = Document::read(order.as_bytes(), &limits).ok()?;
    Some(content_hash(document.root()))
}

/// Parts of `meta` that a server changes by itself.
const OWN_OF_THE_SERVER: [&str; 3] = ["versionId", "lastUpdated", "source"];

/// JSON without spaces, members by name. As deep as the reader lets a document be.
fn write_content(node: Node<'_>, top: bool, out: &mut Vec<u8>) {
    match node.kind() {
        Kind::Object => {
            let meta = !top && node.key().is_some_and(|key| key == "meta");
            let mut members: Vec<_> = node
                .members()
                .filter(|(name, _)| !(meta && OWN_OF_THE_SERVER.contains(&&**name)))
                .filter(|(name, value)| !(top && &**name == "meta" && only_the_servers(*value)))
                .collect();
            members.sort_by(|(a, _), (b, _)| a.cmp(b));
            out.push(b'{');
            for (name, value) in members {
                write_text(&name, out);
                out.push(b':');
                write_content(value, false, out);
                out.push(b',');
            }
            out.push(b'}');
        }
        Kind::Array => {
            out.push(b'[');
            for item in node.items() {
                write_content(item, false, out);
                out.push(b',');
            }
            out.push(b']');
        }
        Kind::String => write_text(&node.as_str().unwrap_or_default(), out),
        Kind::Null | Kind::Bool | Kind::Number => out.extend(node.raw().as_bytes()),
    }
}

fn write_text(text: &str, out: &mut Vec<u8>) {
    // Into memory: cannot fail.
    let _ = serde_json::to_writer(out, text);
}

fn only_the_servers(meta: Node<'_>) -> bool {
    meta.kind() == Kind::Object && meta.members().all(|(name, _)| OWN_OF_THE_SERVER.contains(&&*name))
}
