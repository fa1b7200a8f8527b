//! `enteral-gate`, the program. Everything is in the library.

fn main() -> std::process::ExitCode {
    enteral_gate::cli::run()
}
