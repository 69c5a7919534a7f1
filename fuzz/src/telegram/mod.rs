//! Any octets as a telegram of each profile: what verifies is what would be sent, and what is sent reads back.

mod declared;
mod fscp_12_1;
mod fscp_13_1;
mod fscp_2_1;
mod fscp_3_1;
mod iec_62541_15;

pub use declared::{declared, layout};
pub use fscp_2_1::fscp_2_1;
pub use fscp_3_1::fscp_3_1;
pub use fscp_12_1::fscp_12_1;
pub use fscp_13_1::fscp_13_1;
pub use iec_62541_15::iec_62541_15;
