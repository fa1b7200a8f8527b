//! Which mutant is on, and which are reached. Copied into the rewritten program as `src/mutant_switch.rs`.
//!
//! `EG_MUTANT=n` turns mutant n on. `EG_MUTANT_RECORD=FILE` appends a line `n<TAB>thread` the first time a thread
//! asks for mutant n; the test harness names a test's thread after the test.

#![allow(missing_docs, clippy::all)]

use std::cell::RefCell;
use std::io::Write;
use std::sync::atomic::{AtomicU32, Ordering};

const UNREAD: u32 = u32::MAX;
const RECORDING: u32 = u32::MAX - 1;
static STATE: AtomicU32 = AtomicU32::new(UNREAD);

thread_local! {
    static SEEN: RefCell<Vec<bool>> = const { RefCell::new(Vec::new()) };
}

#[inline]
pub fn on(n: u32) -> bool {
    let state = STATE.load(Ordering::Relaxed);
    state == n || (state >= RECORDING && slow(n, state))
}

#[cold]
fn slow(n: u32, mut state: u32) -> bool {
    if state == UNREAD {
        state = match std::env::var("EG_MUTANT") {
            Ok(on) => on.parse().expect("EG_MUTANT is a number"),
            Err(_) if std::env::var_os("EG_MUTANT_RECORD").is_some() => RECORDING,
            Err(_) => 0,
        };
        STATE.store(state, Ordering::Relaxed);
    }
    if state == RECORDING {
        let _ = SEEN.try_with(|seen| {
            let mut seen = seen.borrow_mut();
            let at = n as usize;
            if seen.len() <= at {
                seen.resize(at + 1, false);
            }
            if !seen[at] {
                seen[at] = true;
                let path = std::env::var_os("EG_MUTANT_RECORD").expect("read before");
                let mut file = std::fs::OpenOptions::new().append(true).create(true).open(path).expect("a file");
                let thread = std::thread::current();
                let line = format!("{n}\t{}\n", thread.name().unwrap_or("?"));
                file.write_all(line.as_bytes()).expect("written");
            }
        });
        return false;
    }
    state == n
}
