//! Data that is decoded when it is first asked for: most commands need only a part of what the program holds.

use std::ops::{Deref, DerefMut};
use std::sync::OnceLock;

use serde::de::DeserializeOwned;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// A value, or the bytes it is packed in.
#[derive(Debug, Clone, Default)]
pub struct Later<T> {
    packed: Vec<u8>,
    value: OnceLock<T>,
}

impl<T: DeserializeOwned + Default> Deref for Later<T> {
    type Target = T;

    /// # Panics
    /// If the packed bytes do not fit the program, which the build rules out.
    fn deref(&self) -> &T {
        self.value.get_or_init(|| {
            if self.packed.is_empty() {
                return T::default();
            }
            match postcard::from_bytes(&self.packed) {
                Ok(value) => value,
                Err(error) => panic!("the data packed into this program cannot be read: {error}"),
            }
        })
    }
}

impl<T: DeserializeOwned + Default> DerefMut for Later<T> {
    fn deref_mut(&mut self) -> &mut T {
        let _ = &**self;
        // From here on the bytes are not what it says any more.
        self.packed.clear();
        let value = self.value.take().unwrap_or_default();
        let _ = self.value.set(value);
        self.value.get_mut().expect("it was set a line above")
    }
}

impl<T: Serialize + DeserializeOwned + Default> Serialize for Later<T> {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        let bytes = postcard::to_stdvec(&**self).map_err(serde::ser::Error::custom)?;
        s.serialize_bytes(&bytes)
    }
}

impl<'de, T> Deserialize<'de> for Later<T> {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Later<T>, D::Error> {
        struct Bytes;
        impl<'de> serde::de::Visitor<'de> for Bytes {
            type Value = Vec<u8>;

            fn expecting(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.write_str("packed bytes")
            }

            fn visit_bytes<E>(self, bytes: &[u8]) -> Result<Vec<u8>, E> {
                Ok(bytes.to_vec())
            }
        }
        Ok(Later { packed: d.deserialize_bytes(Bytes)?, value: OnceLock::new() })
    }
}
