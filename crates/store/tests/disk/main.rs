//! What a data folder is worth when the process is killed, the disk is full, fails, or can only be read:
//! real processes, real system calls.

#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "a test that cannot set its stage fails"
)]

mod faults;
mod kills;
mod mounts;
mod scribe;
