//! A connection whose telegrams the machine file describes itself.

use std::sync::Arc;

use super::model::Direction;
use crate::telegram::declared::{Layout, Values};

/// Parameters of a connection with declared layouts.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Declared {
    /// Telegrams from host to device.
    pub to_device: DeclaredDirection,
    /// Telegrams from device to host.
    pub to_host: DeclaredDirection,
}

/// The telegrams of one direction.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DeclaredDirection {
    /// Name of the layout.
    pub name: String,
    /// The layout.
    pub layout: Arc<Layout>,
    /// Octets of a telegram.
    pub length: usize,
    /// Octets of safe data.
    pub data: usize,
    /// The ids that the layout leaves to the connection.
    pub keys: Vec<Key>,
}

/// An id of the layout with its value on this connection.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Key {
    /// Index of the field.
    pub field: usize,
    /// The value; `None` if the file calls it unknown.
    pub value: Option<u32>,
}

impl Declared {
    /// The telegrams of `direction`.
    pub const fn of(&self, direction: Direction) -> &DeclaredDirection {
        match direction {
            Direction::ToDevice => &self.to_device,
            Direction::ToHost => &self.to_host,
        }
    }
}

impl DeclaredDirection {
    /// A direction with this layout and these keys.
    pub fn new(name: String, layout: Arc<Layout>, keys: Vec<Key>) -> Self {
        let (length, data) = (layout.length(), layout.safe_data_length());
        Self { name, layout, length, data, keys }
    }

    /// The values that layout and connection fix; unknown keys are 0.
    pub fn values(&self) -> Values {
        let mut values = self.layout.values();
        for key in &self.keys {
            values.set(key.field, key.value.unwrap_or_default());
        }
        values
    }

    /// The fields whose value the file calls unknown.
    pub fn unknown(&self) -> impl Iterator<Item = usize> {
        self.keys.iter().filter(|key| key.value.is_none()).map(|key| key.field)
    }
}
