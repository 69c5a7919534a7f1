//! Reaction-time budgets, capture checks and evidence for drive-based machine safety.

pub mod budget;
pub mod bytes;
pub mod capture;
pub mod carrier;
pub mod check;
pub mod machine;
pub mod quantity;
pub mod synth;
pub mod telegram;
pub mod time;
pub mod timing;
