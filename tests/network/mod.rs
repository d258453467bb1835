//! Real programs on real networks: each device a process in a network namespace of its own, on one bridge,
//! or on loopback where the system makes no namespaces. The air between them is as bad as at a river.
//!
//! What must hold in all of it: the devices come to show the same, to the byte, with every tap that was
//! answered, each once. How long it takes is measured by the bench `network`, not asserted here.

mod bad_air;
mod comings;
mod newcomers;
