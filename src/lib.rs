//! Reaction-time budgets, capture checks and evidence for drive-based machine safety.

pub mod budget;
pub mod bytes;
pub mod quantity;
pub mod time;
