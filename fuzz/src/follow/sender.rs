//! What the senders of all profiles have in common.

use stopspan::machine::{Direction, Machine, Profile};

use super::declared::Declared;
use super::fscp_2_1::Fscp2_1;
use super::fscp_3_1::Fscp3_1;
use super::fscp_12_1::Fscp12_1;
use super::fscp_13_1::Fscp13_1;
use super::iec_62541_15::Iec62541_15;

/// A telegram on its way.
pub struct Sent {
    pub direction: Direction,
    pub octets: Vec<u8>,
    /// Whether other octets in its place would verify under its key.
    pub fits: Fits,
}

/// A condition on octets.
pub type Fits = Box<dyn Fn(&[u8]) -> bool>;

/// Both ends of a connection, in turns.
pub trait Sender {
    /// The next telegram, with data that come from `data`, at `now` in microseconds.
    fn turn(&mut self, data: u8, now: i64) -> Sent;

    /// Makes the next telegram another than the one due, with right CRCs.
    fn disturb(&mut self, what: u8, by: u8);
}

/// The ends of a connection of the machine file beside this one.
pub fn sender(machine: &Machine, connection: usize) -> Box<dyn Sender> {
    match &machine.connections[connection].profile {
        Profile::Fscp12_1(parameters) => Box::new(Fscp12_1::new(parameters)),
        Profile::Fscp3_1(parameters) => Box::new(Fscp3_1::new(parameters)),
        Profile::Fscp13_1(parameters) => Box::new(Fscp13_1::new(parameters)),
        Profile::Fscp2_1(parameters) => Box::new(Fscp2_1::new(parameters)),
        Profile::Iec62541_15(parameters) => Box::new(Iec62541_15::new(parameters)),
        Profile::Declared(parameters) => Box::new(Declared::new(parameters)),
    }
}

/// Whose turn it is, changing with each call.
#[derive(Default)]
pub struct Turns(usize);

impl Turns {
    /// The direction, and its index.
    pub fn next(&mut self) -> (Direction, usize) {
        let me = self.0 % 2;
        self.0 += 1;
        ([Direction::ToDevice, Direction::ToHost][me], me)
    }

    /// Turns that were taken.
    pub const fn taken(&self) -> usize {
        self.0
    }
}

/// Octets of data: the one given, how often it was somebody's turn, and their place.
pub fn data(length: usize, given: u8, turns: usize) -> Vec<u8> {
    let low = |number: usize| number.to_le_bytes()[0];
    (0..length).map(|place| [given, low(turns), low(turns >> 8)].get(place).copied().unwrap_or(low(place))).collect()
}
