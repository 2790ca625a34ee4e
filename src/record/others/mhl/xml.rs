//! Owns the walk through an XML document of one namespace: elements, their attributes and text.
//! What belongs to another namespace is passed over. A document type is refused before anything
//! could be declared in it.

use super::error::MhlError;
use quick_xml::escape::resolve_predefined_entity;
use quick_xml::events::{BytesStart, Event};
use quick_xml::name::{Namespace, ResolveResult};
use quick_xml::reader::NsReader;

/// Elements in each other; a list has five.
const DEPTH_MAX: usize = 64;

/// An element that begins.
pub(crate) struct Token {
    pub(crate) name: String,
    attributes: Vec<(String, String)>,
}

impl Token {
    pub(crate) fn attribute(&self, name: &str) -> Option<&str> {
        let mut all = self.attributes.iter();
        all.find(|(n, _)| n == name)
            .map(|(_, value)| value.as_str())
    }
}

pub(crate) struct Xml<'a> {
    reader: NsReader<&'a [u8]>,
    namespace: &'static str,
    /// The element that began last has ended already.
    is_empty: bool,
    depth: usize,
}

impl<'a> Xml<'a> {
    pub(crate) fn new(text: &'a str, namespace: &'static str) -> Self {
        Self {
            reader: NsReader::from_str(text),
            namespace,
            is_empty: false,
            depth: 0,
        }
    }

    fn event(&mut self) -> Result<(bool, Event<'a>), MhlError> {
        let (resolved, event) = self
            .reader
            .read_resolved_event()
            .map_err(|e| MhlError::Xml(e.to_string()))?;
        let is_ours = resolved == ResolveResult::Bound(Namespace(self.namespace));
        match &event {
            Event::DocType(_) => return Err(MhlError::Doctype),
            Event::Start(_) => self.depth += 1,
            Event::End(_) => self.depth = self.depth.saturating_sub(1),
            _ => {}
        }
        if self.depth > DEPTH_MAX {
            return Err(MhlError::TooDeep);
        }
        Ok((is_ours, event))
    }

    /// Goes to the one element that the document is.
    pub(crate) fn root(&mut self, name: &str) -> Result<Token, MhlError> {
        loop {
            match self.event()? {
                (true, Event::Start(start)) => {
                    let token = token(&start)?;
                    return if token.name == name {
                        Ok(token)
                    } else {
                        Err(MhlError::Root)
                    };
                }
                (_, Event::Start(_) | Event::Empty(_) | Event::Eof) => return Err(MhlError::Root),
                _ => {}
            }
        }
    }

    /// Returns the next element in the one that began last; `None` when that ends.
    pub(crate) fn child(&mut self) -> Result<Option<Token>, MhlError> {
        if std::mem::take(&mut self.is_empty) {
            return Ok(None);
        }
        loop {
            match self.event()? {
                (true, Event::Start(start)) => return token(&start).map(Some),
                (true, Event::Empty(start)) => {
                    self.is_empty = true;
                    return token(&start).map(Some);
                }
                (false, Event::Start(_)) => self.skip()?,
                (_, Event::End(_)) => return Ok(None),
                (_, Event::Eof) => return Err(MhlError::Xml("it ends early".to_owned())),
                _ => {}
            }
        }
    }

    /// Passes over the element that began last.
    pub(crate) fn skip(&mut self) -> Result<(), MhlError> {
        if std::mem::take(&mut self.is_empty) {
            return Ok(());
        }
        let at = self.depth;
        while self.depth >= at {
            if let (_, Event::Eof) = self.event()? {
                return Err(MhlError::Xml("it ends early".to_owned()));
            }
        }
        Ok(())
    }

    /// Returns the text of the element that began last.
    pub(crate) fn text(&mut self) -> Result<String, MhlError> {
        let mut text = String::new();
        if std::mem::take(&mut self.is_empty) {
            return Ok(text);
        }
        loop {
            match self.event()?.1 {
                Event::Text(t) => text.push_str(&t.xml10_content()),
                Event::CData(t) => text.push_str(&t.xml10_content()),
                Event::GeneralRef(entity) => {
                    let name = entity.xml10_content();
                    let number = entity.resolve_char_ref();
                    match (number, resolve_predefined_entity(&name)) {
                        (Ok(Some(c)), _) => text.push(c),
                        (_, Some(known)) => text.push_str(known),
                        _ => return Err(MhlError::Entity(name.into_owned())),
                    }
                }
                Event::Start(_) => self.skip()?,
                Event::End(_) => return Ok(text),
                Event::Eof => return Err(MhlError::Xml("it ends early".to_owned())),
                _ => {}
            }
        }
    }

    /// Sees that nothing but blanks follows.
    pub(crate) fn end(&mut self) -> Result<(), MhlError> {
        loop {
            match self.event()?.1 {
                Event::Eof => return Ok(()),
                Event::Text(t) if t.xml10_content().trim().is_empty() => {}
                Event::Comment(_) | Event::PI(_) => {}
                _ => return Err(MhlError::Xml("something follows its end".to_owned())),
            }
        }
    }
}

fn token(start: &BytesStart<'_>) -> Result<Token, MhlError> {
    let wrong = |why: String| MhlError::Xml(why);
    let mut attributes = Vec::new();
    for attribute in start.attributes() {
        let attribute = attribute.map_err(|e| wrong(e.to_string()))?;
        let value = attribute.normalized_value(quick_xml::XmlVersion::Implicit1_0);
        let value = value.map_err(|e| wrong(e.to_string()))?.into_owned();
        let name = attribute.key.local_name().as_ref().to_owned();
        attributes.push((name, value));
    }
    Ok(Token {
        name: start.local_name().as_ref().to_owned(),
        attributes,
    })
}
