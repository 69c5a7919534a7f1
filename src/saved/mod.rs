//! What can be saved in the middle of a run and taken up again.
//!
//! Most of a state is plain data with `serde`. What follows from the machine file (parameters, tables, layouts) is not saved: a fresh
//! object is made from the machine file and takes up the rest. The macro `resume!` lists the fields of such a type; one that is forgotten
//! does not compile. What is read stays text until it becomes a field, so that memory stays near the size of the file whatever is in it.

mod bounded;

use std::cell::Cell;
use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use std::sync::Mutex;

use serde::de::{DeserializeOwned, DeserializeSeed, Error as _};
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use serde_json::value::{RawValue, to_raw_value};

use bounded::{Parts, UpTo};

/// Names that may be read from saved states in all, and octets of each: they are kept for the life of the program.
const NAMES: usize = 1_024;
const NAME_OCTETS: usize = 128;

/// A name that is fixed in the program: `serde` does not see that it is a reference.
pub type Name = &'static str;

/// Why a state can't be taken up.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Unfit(pub String);

impl fmt::Display for Unfit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl std::error::Error for Unfit {}

impl From<serde_json::Error> for Unfit {
    fn from(error: serde_json::Error) -> Self {
        // Line and column would be those within the part that is named.
        let text = error.to_string();
        Self(text.rsplit_once(" at line ").map_or(text.as_str(), |(why, _)| why).to_owned())
    }
}

impl Unfit {
    /// The same, in the part `name` of something larger.
    pub(crate) fn within(self, name: &str) -> Self {
        let Self(why) = self;
        match why.strip_prefix('\'') {
            Some(place) => Self(format!("'{name}.{place}")),
            None => Self(format!("'{name}': {why}")),
        }
    }
}

/// Something whose state is partly given by the machine file.
pub trait Resume {
    /// What is not given by it.
    ///
    /// # Errors
    /// Never in practice: only types that `serde` can save are listed.
    fn save(&self) -> Result<Box<RawValue>, Unfit>;

    /// Takes up what was saved.
    ///
    /// # Errors
    /// [`Unfit`] if that is no state of such an object; it is of no use after that.
    fn take_up(&mut self, saved: &RawValue) -> Result<(), Unfit>;
}

/// Implements [`Resume`] for a type: `plain` fields by `serde`, `nested` ones by [`Resume`], `fixed` ones are not saved.
macro_rules! resume {
    ($type:ty { plain: $($plain:ident),*; nested: $($nested:ident),*; fixed: $($fixed:ident),* $(,)? }) => {
        impl $crate::saved::Resume for $type {
            fn save(&self) -> Result<Box<serde_json::value::RawValue>, $crate::saved::Unfit> {
                let Self { $($plain,)* $($nested,)* $($fixed: _,)* } = self;
                #[allow(unused_mut, reason = "a type may have nothing to save")]
                let mut parts = std::collections::BTreeMap::new();
                $(parts.insert(stringify!($plain), serde_json::value::to_raw_value($plain)?);)*
                $(parts.insert(stringify!($nested), $crate::saved::Resume::save($nested)?);)*
                Ok(serde_json::value::to_raw_value(&parts)?)
            }

            fn take_up(&mut self, saved: &serde_json::value::RawValue) -> Result<(), $crate::saved::Unfit> {
                let parts = $crate::saved::parts(saved)?;
                $(self.$plain = $crate::saved::plain(&parts, stringify!($plain))?;)*
                $($crate::saved::part(&parts, stringify!($nested))
                    .and_then(|saved| $crate::saved::Resume::take_up(&mut self.$nested, saved)
                        .map_err(|unfit| unfit.within(stringify!($nested))))?;)*
                Ok(())
            }
        }
    };
}
pub(crate) use resume;

impl<T: Resume + ?Sized> Resume for Box<T> {
    fn save(&self) -> Result<Box<RawValue>, Unfit> {
        (**self).save()
    }

    fn take_up(&mut self, saved: &RawValue) -> Result<(), Unfit> {
        (**self).take_up(saved)
    }
}

impl<T: Resume> Resume for Option<T> {
    fn save(&self) -> Result<Box<RawValue>, Unfit> {
        self.as_ref().map_or_else(|| Ok(to_raw_value(&())?), Resume::save)
    }

    fn take_up(&mut self, saved: &RawValue) -> Result<(), Unfit> {
        match self {
            Some(known) => known.take_up(saved),
            None if saved.get() == "null" => Ok(()),
            None => Err(Unfit("it holds something that this machine has not".to_owned())),
        }
    }
}

/// What belongs to an index that the machine file gives.
impl<T: Resume> Resume for (usize, T) {
    fn save(&self) -> Result<Box<RawValue>, Unfit> {
        self.1.save()
    }

    fn take_up(&mut self, saved: &RawValue) -> Result<(), Unfit> {
        self.1.take_up(saved)
    }
}

impl<T: Resume> Resume for Vec<T> {
    fn save(&self) -> Result<Box<RawValue>, Unfit> {
        let all = self.iter().map(Resume::save).collect::<Result<Vec<_>, _>>()?;
        Ok(to_raw_value(&all)?)
    }

    fn take_up(&mut self, saved: &RawValue) -> Result<(), Unfit> {
        let saved: Vec<&RawValue> =
            UpTo(self.len()).deserialize(&mut serde_json::Deserializer::from_str(saved.get()))?;
        if saved.len() != self.len() {
            return Err(Unfit(format!("a list of {} entries, expected {}", saved.len(), self.len())));
        }
        let all = self.iter_mut().zip(saved).enumerate();
        let mut all = all.map(|(at, (known, saved))| known.take_up(saved).map_err(|why| why.within(&at.to_string())));
        all.try_for_each(|taken| taken)
    }
}

/// The parts of an object.
pub(crate) fn parts(saved: &RawValue) -> Result<Parts<'_>, Unfit> {
    Ok(serde_json::from_str(saved.get())?)
}

/// One part.
pub(crate) fn part<'s>(parts: &Parts<'s>, name: &str) -> Result<&'s RawValue, Unfit> {
    parts.0.get(name).copied().ok_or_else(|| Unfit(format!("'{name}' is missing")))
}

/// Reads one part.
pub(crate) fn plain<T: DeserializeOwned>(parts: &Parts<'_>, name: &str) -> Result<T, Unfit> {
    serde_json::from_str(part(parts, name)?.get()).map_err(|error| Unfit::from(error).within(name))
}

thread_local! {
    /// Files that stand before those of the state that is being taken up.
    static FILES_BEFORE: Cell<usize> = const { Cell::new(0) };
}

/// Takes up a state whose files stand behind `files` others: places in it count the files from there.
pub(crate) fn behind<T>(files: usize, take_up: impl FnOnce() -> T) -> T {
    let before = FILES_BEFORE.replace(files);
    let taken = take_up();
    FILES_BEFORE.set(before);
    taken
}

/// Reads the index of a file.
pub(crate) fn file<'de, D: Deserializer<'de>>(deserializer: D) -> Result<usize, D::Error> {
    Ok(usize::deserialize(deserializer)?.saturating_add(FILES_BEFORE.get()))
}

/// Reads a [`Name`]. Each is kept once.
pub(crate) fn name<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Name, D::Error> {
    static KNOWN: Mutex<BTreeSet<Name>> = Mutex::new(BTreeSet::new());
    let text = String::deserialize(deserializer)?;
    let mut known = KNOWN.lock().map_err(|_| D::Error::custom("the names are not to be had"))?;
    if let Some(name) = known.get(text.as_str()) {
        return Ok(name);
    }
    if text.len() > NAME_OCTETS || known.len() >= NAMES {
        return Err(D::Error::custom("a name that this program does not know"));
    }
    let name: Name = Box::leak(text.into_boxed_str());
    known.insert(name);
    Ok(name)
}

/// Integers wider than what JSON readers agree on, as decimal text.
pub(crate) mod wide {
    use super::{Deserialize, Deserializer, Serializer};

    pub(crate) fn serialize<S: Serializer>(value: &i128, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(value)
    }

    pub(crate) fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<i128, D::Error> {
        String::deserialize(deserializer)?.parse().map_err(serde::de::Error::custom)
    }
}

/// A map whose keys are no text, as a list of pairs.
pub(crate) mod pairs {
    use super::{BTreeMap, Deserialize, Deserializer, Serialize, Serializer};

    pub(crate) fn serialize<K: Serialize, V: Serialize, S: Serializer>(
        map: &BTreeMap<K, V>,
        serializer: S,
    ) -> Result<S::Ok, S::Error> {
        serializer.collect_seq(map)
    }

    pub(crate) fn deserialize<'de, K, V, D>(deserializer: D) -> Result<BTreeMap<K, V>, D::Error>
    where
        K: Deserialize<'de> + Ord,
        V: Deserialize<'de>,
        D: Deserializer<'de>,
    {
        Ok(Vec::<(K, V)>::deserialize(deserializer)?.into_iter().collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(Debug, PartialEq)]
    struct Counter {
        limit: u32,
        seen: u32,
        inner: Vec<Inner>,
    }

    #[derive(Debug, PartialEq)]
    struct Inner {
        table: [u8; 2],
        last: Option<String>,
    }

    resume!(Counter { plain: seen; nested: inner; fixed: limit });
    resume!(Inner { plain: last; nested: ; fixed: table });

    fn counter(seen: u32, last: Option<&str>) -> Counter {
        Counter { limit: 9, seen, inner: vec![Inner { table: [1, 2], last: last.map(str::to_owned) }] }
    }

    #[test]
    fn what_is_saved_is_taken_up() {
        let saved = counter(5, Some("x")).save().unwrap();
        let mut fresh = counter(0, None);
        fresh.take_up(&saved).unwrap();
        assert_eq!(fresh, counter(5, Some("x")));
    }

    #[test]
    fn what_does_not_fit_is_refused() {
        for (saved, why) in [
            ("[]", "invalid type: sequence, expected an object"),
            ("{}", "'seen' is missing"),
            (r#"{"seen": -1, "inner": []}"#, "'seen': invalid value: integer `-1`, expected u32"),
            (r#"{"seen": 1}"#, "'inner' is missing"),
            (r#"{"seen": 1, "inner": {}}"#, "'inner': invalid type: map, expected a list of 1 entries"),
            (r#"{"seen": 1, "inner": []}"#, "'inner': a list of 0 entries, expected 1"),
            (r#"{"seen": 1, "inner": [{}, 5]}"#, "'inner': a list of more entries, expected 1"),
            (r#"{"seen": 1, "inner": [{}]}"#, "'inner.0.last' is missing"),
            (r#"{"seen": 1, "inner": [{"last": 5}]}"#, "'inner.0.last': invalid type: integer `5`, expected a string"),
        ] {
            let saved: Box<RawValue> = serde_json::from_str(saved).unwrap();
            let error = counter(0, None).take_up(&saved).unwrap_err();
            assert_eq!(error.0, why);
        }
    }

    #[test]
    fn an_object_of_too_many_parts_is_refused() {
        let parts: BTreeMap<String, u8> = (0..=bounded::FIELDS).map(|n| (n.to_string(), 0)).collect();
        let error = counter(0, None).take_up(&to_raw_value(&parts).unwrap()).unwrap_err();
        assert_eq!(error.0, "more parts than anything has");
    }

    #[test]
    fn names_are_kept_once_and_bounded() {
        #[derive(Deserialize)]
        struct One {
            #[serde(deserialize_with = "name")]
            name: Name,
        }
        let read = |text: &str| serde_json::from_str::<One>(&format!("{{\"name\": \"{text}\"}}")).map(|one| one.name);
        let (first, second) = (read("CRC_0").unwrap(), read("CRC_0").unwrap());
        assert!(std::ptr::eq(first, second));
        assert!(read(&"x".repeat(200)).is_err());
    }
}
