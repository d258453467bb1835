//! The visit under test as its callers see it.

#[path = "../crew/mod.rs"]
mod crew;
#[path = "../naive/mod.rs"]
mod naive;

mod merging;
mod safety;
