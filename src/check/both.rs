//! One of something for each direction of a connection.

use crate::machine::Direction;

/// A value for each direction.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Both<T> {
    pub(super) to_device: T,
    pub(super) to_host: T,
}

impl<T> Both<T> {
    pub(super) const fn of(&self, direction: Direction) -> &T {
        match direction {
            Direction::ToDevice => &self.to_device,
            Direction::ToHost => &self.to_host,
        }
    }

    /// That of a direction and that of the opposite one.
    pub(super) const fn with_opposite(&mut self, direction: Direction) -> (&mut T, &mut T) {
        match direction {
            Direction::ToDevice => (&mut self.to_device, &mut self.to_host),
            Direction::ToHost => (&mut self.to_host, &mut self.to_device),
        }
    }

    pub(super) const fn of_mut(&mut self, direction: Direction) -> &mut T {
        match direction {
            Direction::ToDevice => &mut self.to_device,
            Direction::ToHost => &mut self.to_host,
        }
    }
}
