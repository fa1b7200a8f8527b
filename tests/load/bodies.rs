//! Writes the varied inputs of the benchmark, one a line: `bodies orders|hooks COUNT FILE`.

#[path = "../bench/varied.rs"]
mod varied;

fn main() {
    let mut arguments = std::env::args().skip(1);
    let (Some(what), Some(count), Some(file)) =
        (arguments.next(), arguments.next().and_then(|n| n.parse().ok()), arguments.next())
    else {
        return;
    };
    let _ = varied::formulary();
    let bodies = if what == "hooks" { varied::hooks(count) } else { varied::orders(count) };
    let mut out = Vec::new();
    for body in bodies {
        out.extend_from_slice(&body);
        out.push(b'\n');
    }
    std::fs::write(file, out).expect("written");
}
