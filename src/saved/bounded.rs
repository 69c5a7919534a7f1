//! Lists and objects of no more entries than can be taken up, so that the memory for what is to be refused stays small.

use std::collections::BTreeMap;
use std::fmt;

use serde::de::{DeserializeSeed, Error as _, MapAccess, SeqAccess, Visitor};
use serde::{Deserialize, Deserializer};
use serde_json::value::RawValue;

/// Reads a list of as many entries at most.
pub(super) struct UpTo(pub(super) usize);

impl<'de> DeserializeSeed<'de> for UpTo {
    type Value = Vec<&'de RawValue>;

    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<Self::Value, D::Error> {
        deserializer.deserialize_seq(self)
    }
}

impl<'de> Visitor<'de> for UpTo {
    type Value = Vec<&'de RawValue>;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "a list of {} entries", self.0)
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut list: A) -> Result<Self::Value, A::Error> {
        let mut all = Vec::new();
        while let Some(one) = list.next_element()? {
            if all.len() >= self.0 {
                return Err(A::Error::custom(format!("a list of more entries, expected {}", self.0)));
            }
            all.push(one);
        }
        Ok(all)
    }
}

/// Fields that a type has at most.
pub(super) const FIELDS: usize = 64;

/// The parts of an object.
pub(crate) struct Parts<'s>(pub(super) BTreeMap<String, &'s RawValue>);

impl<'de> Deserialize<'de> for Parts<'de> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Fields;

        impl<'de> Visitor<'de> for Fields {
            type Value = Parts<'de>;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("an object")
            }

            fn visit_map<A: MapAccess<'de>>(self, mut object: A) -> Result<Self::Value, A::Error> {
                let mut all = BTreeMap::new();
                while let Some((name, part)) = object.next_entry()? {
                    if all.len() >= FIELDS {
                        return Err(A::Error::custom("more parts than anything has"));
                    }
                    all.insert(name, part);
                }
                Ok(Parts(all))
            }
        }

        deserializer.deserialize_map(Fields)
    }
}
