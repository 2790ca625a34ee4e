//! Owns what can be wrong with a file of a history.

use crate::record::others::short::shown;
use std::fmt;

/// What is wrong with a file of a history.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum MhlError {
    /// It is no well-formed XML; what a reader says of it.
    Xml(String),
    /// It has a document type. No such list has one, and entities could be declared in it.
    Doctype,
    /// It refers to an entity that XML does not define.
    Entity(String),
    /// Elements lie in each other deeper than any list has them.
    TooDeep,
    /// It does not begin as such a file does.
    Root,
    /// It is of a format version that is not known here.
    Version(String),
    /// An element or attribute that has to be there is not.
    Lacks(&'static str),
    /// What this element holds is not what it may hold.
    Value(&'static str, String),
}

impl fmt::Display for MhlError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Xml(why) => write!(f, "it is no well-formed XML: {}", shown(why)),
            Self::Doctype => f.write_str("it has a document type, which no media hash list has"),
            Self::Entity(name) => write!(f, "it refers to the entity `{}`", shown(name)),
            Self::TooDeep => f.write_str("its elements are too deep in each other"),
            Self::Root => f.write_str("it is no ASC media hash list"),
            Self::Version(version) => write!(
                f,
                "its format version is {}; 2.0 is known here",
                shown(version)
            ),
            Self::Lacks(what) => write!(f, "it lacks `{what}`"),
            Self::Value(what, value) => write!(f, "its `{what}` is `{}`", shown(value)),
        }
    }
}

impl std::error::Error for MhlError {}
