//! `enteral-gate`, the program. Everything is in the library.

// What one thread makes another often drops: an order is read by whoever answers, and written by the queue's own thread.
// glibc's allocator takes a lock for each such piece.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

fn main() -> std::process::ExitCode {
    enteral_gate::cli::run()
}
