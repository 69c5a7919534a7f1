//! One of something for each direction of a connection.

use serde_json::value::{RawValue, to_raw_value};

use crate::machine::Direction;
use crate::saved::{Resume, Unfit};

/// A value for each direction.
#[derive(Clone, Copy, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(super) struct Both<T> {
    pub(super) to_device: T,
    pub(super) to_host: T,
}

impl<T: Resume> Resume for Both<T> {
    fn save(&self) -> Result<Box<RawValue>, Unfit> {
        Ok(to_raw_value(&[self.to_device.save()?, self.to_host.save()?])?)
    }

    fn take_up(&mut self, saved: &RawValue) -> Result<(), Unfit> {
        let [to_device, to_host]: [&RawValue; 2] = serde_json::from_str(saved.get())?;
        self.to_device.take_up(to_device)?;
        self.to_host.take_up(to_host)
    }
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
