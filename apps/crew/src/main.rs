//! Starts the device program.
fn main() {}
