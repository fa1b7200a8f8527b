//! Writes the varied orders of the benchmark, one a line: `bodies COUNT FILE`.

#[path = "../bench/varied.rs"]
mod varied;

fn main() {
    let mut arguments = std::env::args().skip(1);
    let (Some(count), Some(file)) = (arguments.next().and_then(|n| n.parse().ok()), arguments.next()) else { return };
    let _ = varied::formulary();
    let mut out = Vec::new();
    for order in varied::orders(count) {
        out.extend_from_slice(&order);
        out.push(b'\n');
    }
    std::fs::write(file, out).expect("written");
}
