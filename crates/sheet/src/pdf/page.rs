//! A page as it is laid out: strokes and words in reading order, each belonging to a node of the
//! tree that tells readers what it is.

use super::face::Weight;
use crate::plot::Tint;

/// What a node of the tree is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Role {
    Document,
    Title,
    Heading,
    Paragraph,
    Table,
    Row,
    Head,
    Cell,
    Figure,
}

/// A node with what it holds, in order.
#[derive(Debug)]
pub(crate) struct Node {
    pub(crate) role: Role,
    pub(crate) parent: Option<usize>,
    pub(crate) kids: Vec<Kid>,
    /// What a figure shows, in words.
    pub(crate) alt: String,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kid {
    Node(usize),
    /// A piece of content by its number.
    Piece(usize),
}

/// Strokes and words that belong together.
#[derive(Debug)]
pub(crate) struct Piece {
    /// `None` for decoration.
    pub(crate) node: Option<usize>,
    pub(crate) inks: Vec<Ink>,
}

/// Something drawn. Distances in pt from the page's top left corner.
#[derive(Debug)]
pub(crate) enum Ink {
    Words {
        at: [f32; 2],
        size_pt: f32,
        weight: Weight,
        tint: Tint,
        words: String,
    },
    /// A line through points, with its thickness and whether it is dashed.
    Path(Vec<[f32; 2]>, f32, bool),
    /// A box, filled and perhaps outlined.
    Box([f32; 4], Tint, Option<(Tint, f32)>),
    Dot([f32; 2], f32, Tint, f32),
}

/// A page.
#[derive(Debug)]
pub(crate) struct Page {
    pub(crate) nodes: Vec<Node>,
    pub(crate) pieces: Vec<Piece>,
    /// Crossed with the word TRAINING.
    pub(crate) crossed: bool,
}

impl Page {
    pub(crate) fn new() -> Self {
        let root = Node {
            role: Role::Document,
            parent: None,
            kids: Vec::new(),
            alt: String::new(),
        };
        Self {
            nodes: vec![root],
            pieces: Vec::new(),
            crossed: false,
        }
    }

    /// A node under another.
    pub(crate) fn node(&mut self, role: Role, parent: usize) -> usize {
        let id = self.nodes.len();
        self.nodes.push(Node {
            role,
            parent: Some(parent),
            kids: Vec::new(),
            alt: String::new(),
        });
        if let Some(parent) = self.nodes.get_mut(parent) {
            parent.kids.push(Kid::Node(id));
        }
        id
    }

    pub(crate) fn describe(&mut self, node: usize, alt: &str) {
        if let Some(node) = self.nodes.get_mut(node) {
            alt.clone_into(&mut node.alt);
        }
    }

    /// Draws for a node; for `None`, as decoration.
    pub(crate) fn draw(&mut self, node: Option<usize>, inks: Vec<Ink>) {
        if inks.is_empty() {
            return;
        }
        let id = self.pieces.len();
        if let Some(node) = node.and_then(|n| self.nodes.get_mut(n)) {
            node.kids.push(Kid::Piece(id));
        }
        self.pieces.push(Piece { node, inks });
    }

    pub(crate) fn words(&self) -> String {
        let mut all = Vec::new();
        for piece in self.pieces.iter().filter(|p| p.node.is_some()) {
            let words = piece.inks.iter().filter_map(|ink| match ink {
                Ink::Words { words, .. } => Some(words.as_str()),
                _ => None,
            });
            all.push(words.collect::<Vec<_>>().join(" "));
        }
        all.join("\n")
    }
}
