//! The yardstick with the allocator of the service: what is left between the two is not the allocator's.

#[path = "parse_only.rs"]
mod parse_only;

#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

fn main() {
    parse_only::main();
}
