//! Records whose latest changes can be taken back, because a commit that was to hold them may be refused.

use std::collections::BTreeMap;

/// Named records: those that are durable, and over them those that are not yet.
#[derive(Clone, Debug)]
pub struct Drafts<V> {
    durable: BTreeMap<String, V>,
    /// `None`: taken away.
    changed: BTreeMap<String, Option<V>>,
}

impl<V> Default for Drafts<V> {
    fn default() -> Self {
        Self {
            durable: BTreeMap::new(),
            changed: BTreeMap::new(),
        }
    }
}

impl<V: Clone> Drafts<V> {
    /// Takes a record as durable.
    pub fn load(&mut self, name: String, value: V) {
        self.durable.insert(name, value);
    }

    /// Returns a record as it is now.
    pub fn get(&self, name: &str) -> Option<&V> {
        match self.changed.get(name) {
            Some(changed) => changed.as_ref(),
            None => self.durable.get(name),
        }
    }

    /// Puts a record, or replaces one.
    pub fn put(&mut self, name: &str, value: V) {
        self.changed.insert(name.to_owned(), Some(value));
    }

    /// Takes a record away.
    pub fn remove(&mut self, name: &str) {
        self.changed.insert(name.to_owned(), None);
    }

    /// Returns the records as they are now, by name.
    pub fn iter(&self) -> impl Iterator<Item = (&str, &V)> {
        let kept = self
            .durable
            .iter()
            .filter(|(name, _)| !self.changed.contains_key(*name))
            .map(|(name, value)| (name.as_str(), value));
        let new = self
            .changed
            .iter()
            .filter_map(|(name, value)| Some((name.as_str(), value.as_ref()?)));
        // Two ordered sequences become one.
        let mut all: Vec<_> = kept.chain(new).collect();
        all.sort_by_key(|(name, _)| *name);
        all.into_iter()
    }

    /// Returns how many records there are, about: a record that is replaced counts twice until it is durable.
    pub fn size(&self) -> usize {
        self.durable.len() + self.changed.len()
    }

    /// Returns what has changed since the last [`Drafts::settle`], by name; `None` for a record taken away.
    pub fn changes(&self) -> impl Iterator<Item = (&str, Option<&V>)> {
        self.changed
            .iter()
            .map(|(name, value)| (name.as_str(), value.as_ref()))
    }

    /// The changes are durable.
    pub fn settle(&mut self) {
        for (name, value) in std::mem::take(&mut self.changed) {
            match value {
                Some(value) => {
                    self.durable.insert(name, value);
                }
                None => {
                    self.durable.remove(&name);
                }
            }
        }
    }

    /// The changes never were.
    pub fn undo(&mut self) {
        self.changed.clear();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn changes_can_be_taken_back_or_kept() {
        let mut drafts = Drafts::default();
        drafts.load("a".to_owned(), 1);
        drafts.load("b".to_owned(), 2);
        drafts.put("c", 3);
        drafts.remove("a");
        drafts.put("b", 9);
        assert_eq!(drafts.iter().collect::<Vec<_>>(), [("b", &9), ("c", &3)]);
        assert_eq!(
            drafts.changes().collect::<Vec<_>>(),
            [("a", None), ("b", Some(&9)), ("c", Some(&3))]
        );
        let mut kept = drafts.clone();
        drafts.undo();
        assert_eq!(drafts.iter().collect::<Vec<_>>(), [("a", &1), ("b", &2)]);
        kept.settle();
        assert_eq!(kept.iter().collect::<Vec<_>>(), [("b", &9), ("c", &3)]);
        assert_eq!(kept.changes().count(), 0);
    }
}
