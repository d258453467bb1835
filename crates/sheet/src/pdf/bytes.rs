//! A page as the bytes of a PDF file: content, fonts cut down to what is used, the tree of tags.

use std::collections::BTreeMap;

use pdf_writer::types::{
    ArtifactSubtype, ArtifactType, CidFontType, FontFlags, StructRole, SystemInfo, UnicodeCmap,
};
use pdf_writer::{Content, Finish, Name, Pdf, Rect, Ref, Str, TextStr};
use subsetter::GlyphRemapper;

use super::face::{Face, Faces, Weight};
use super::page::{Ink, Kid, Page, Role};
use super::{Paper, PrintError};
use crate::model::Sheet;
use crate::plot::Tint;

const LANGUAGE: &str = "en";
const SYSTEM: SystemInfo<'static> = SystemInfo {
    registry: Str(b"Adobe"),
    ordering: Str(b"Identity"),
    supplement: 0,
};
const CROSS: &str = "TRAINING";

/// A face as far as the page uses it.
struct Used<'f> {
    face: &'f Face,
    remapper: GlyphRemapper,
    /// New glyph number to the character it first stood for and its width.
    glyphs: BTreeMap<u16, (char, f32)>,
}

impl<'f> Used<'f> {
    fn new(face: &'f Face) -> Self {
        Self {
            face,
            remapper: GlyphRemapper::new(),
            glyphs: BTreeMap::new(),
        }
    }

    /// The words as two-byte glyph numbers.
    fn encode(&mut self, words: &str) -> Vec<u8> {
        let mut bytes = Vec::with_capacity(words.len() * 2);
        for c in words.chars() {
            let glyph = self.face.glyph(c);
            let new = self.remapper.remap(glyph);
            let width = self.face.advance(glyph);
            self.glyphs.entry(new).or_insert((c, width));
            bytes.extend(new.to_be_bytes());
        }
        bytes
    }
}

/// Hands out object numbers in order.
struct Numbers(i32);

impl Numbers {
    fn next(&mut self) -> Ref {
        self.0 += 1;
        Ref::new(self.0)
    }
}

pub(super) fn write(
    sheet: &Sheet,
    paper: Paper,
    faces: &Faces,
    page: &Page,
) -> Result<Vec<u8>, PrintError> {
    let mut used = [Used::new(&faces.regular), Used::new(&faces.strong)];
    let content = content(paper, page, &mut used);
    let mut numbers = Numbers(0);
    let [catalog, tree, page_id, content_id, info, root] = std::array::from_fn(|_| numbers.next());
    let parents = numbers.next();
    let sheer = numbers.next();
    let nodes: Vec<Ref> = page.nodes.iter().map(|_| numbers.next()).collect();

    let mut pdf = Pdf::new();
    let title = sheet.title();
    pdf.document_info(info)
        .title(TextStr(&title))
        .producer(TextStr("Gravelbar"));
    let mut top = pdf.catalog(catalog);
    top.pages(tree);
    top.lang(TextStr(LANGUAGE));
    top.mark_info().marked(true);
    top.viewer_preferences().display_doc_title(true);
    top.pair(Name(b"StructTreeRoot"), root);
    top.finish();
    pdf.pages(tree).kids([page_id]).count(1);

    let [width, height] = paper.size_pt();
    let mut of_page = pdf.page(page_id);
    of_page.parent(tree);
    of_page.media_box(Rect::new(0.0, 0.0, width, height));
    of_page.contents(content_id);
    of_page.struct_parents(0);
    let mut resources = of_page.resources();
    let fonts: [Ref; 2] = std::array::from_fn(|_| numbers.next());
    resources
        .fonts()
        .pair(Name(b"R"), fonts[0])
        .pair(Name(b"S"), fonts[1]);
    resources.ext_g_states().pair(Name(b"Sheer"), sheer);
    resources.finish();
    of_page.finish();
    pdf.stream(content_id, &content);
    pdf.ext_graphics(sheer).non_stroking_alpha(0.25);

    tags(&mut pdf, page, page_id, root, parents, &nodes);
    for (used, id) in used.iter().zip(fonts) {
        font(&mut pdf, used, id, &mut numbers)?;
    }
    Ok(pdf.finish())
}

fn content(paper: Paper, page: &Page, used: &mut [Used<'_>; 2]) -> Vec<u8> {
    let [_, height] = paper.size_pt();
    let mut out = Content::new();
    for (number, piece) in (0_i32..).zip(&page.pieces) {
        match piece.node.and_then(|n| page.nodes.get(n)) {
            Some(node) => {
                out.begin_marked_content_with_properties(Name(tag(node.role)))
                    .properties()
                    .identify(number);
            }
            None => {
                out.begin_marked_content_with_properties(Name(b"Artifact"))
                    .properties()
                    .artifact()
                    .kind(ArtifactType::Layout);
            }
        }
        for ink in &piece.inks {
            draw(&mut out, ink, height, used);
        }
        out.end_marked_content();
    }
    if page.crossed {
        cross(&mut out, paper, used);
    }
    out.finish().to_vec()
}

fn draw(out: &mut Content, ink: &Ink, height: f32, used: &mut [Used<'_>; 2]) {
    match ink {
        Ink::Words {
            at: [x, y],
            size_pt,
            weight,
            tint,
            words,
        } => {
            fill(out, *tint);
            let (name, used) = match (weight, used) {
                (Weight::Regular, [regular, _]) => (Name(b"R"), regular),
                (Weight::Strong, [_, strong]) => (Name(b"S"), strong),
            };
            out.begin_text();
            out.set_font(name, *size_pt);
            out.next_line(rounded(*x), rounded(height - y));
            out.show(Str(&used.encode(words)));
            out.end_text();
        }
        Ink::Path(points, width, dashed) => {
            stroke(out, Tint::Ink, *width);
            if *dashed {
                out.set_dash_pattern([width * 2.8, width * 2.0], 0.0);
            }
            for (place, [x, y]) in points.iter().enumerate() {
                let (x, y) = (rounded(*x), rounded(height - y));
                if place == 0 {
                    out.move_to(x, y);
                } else {
                    out.line_to(x, y);
                }
            }
            out.stroke();
            if *dashed {
                out.set_dash_pattern([], 0.0);
            }
        }
        Ink::Box([x, y, width, tall], tint, outline) => {
            fill(out, *tint);
            let bottom = rounded(height - y - tall);
            out.rect(rounded(*x), bottom, rounded(*width), rounded(*tall));
            match outline {
                Some((tint, width)) => {
                    stroke(out, *tint, *width);
                    out.fill_nonzero_and_stroke();
                }
                None => {
                    out.fill_nonzero();
                }
            }
        }
        Ink::Dot([x, y], r, tint, width) => {
            fill(out, *tint);
            stroke(out, Tint::Ink, *width);
            circle(out, [*x, height - y], *r);
            out.fill_nonzero_and_stroke();
        }
    }
}

/// Four cubic curves; the handles of a quarter circle are 0.5523 of its radius long (common
/// practice, no source).
fn circle(out: &mut Content, [x, y]: [f32; 2], r: f32) {
    let h = r * 0.5523;
    let at = |dx: f32, dy: f32| (rounded(x + dx), rounded(y + dy));
    let (sx, sy) = at(r, 0.0);
    out.move_to(sx, sy);
    for [a, b, c] in [
        [(r, h), (h, r), (0.0, r)],
        [(-h, r), (-r, h), (-r, 0.0)],
        [(-r, -h), (-h, -r), (0.0, -r)],
        [(h, -r), (r, -h), (r, 0.0)],
    ] {
        let ((ax, ay), (bx, by), (cx, cy)) = (at(a.0, a.1), at(b.0, b.1), at(c.0, c.1));
        out.cubic_to(ax, ay, bx, by, cx, cy);
    }
    out.close_path();
}

/// The word from corner to corner, twice, so large that no part of the page can be cut out
/// without it, and thin enough to read through.
fn cross(out: &mut Content, paper: Paper, [_, strong]: &mut [Used<'_>; 2]) {
    let [width, height] = paper.size_pt();
    let size = 104.0;
    let long = strong.face.width_pt(CROSS, size);
    out.begin_marked_content_with_properties(Name(b"Artifact"))
        .properties()
        .artifact()
        .kind(ArtifactType::Pagination)
        .subtype(ArtifactSubtype::Watermark);
    out.save_state();
    out.set_parameters(Name(b"Sheer"));
    fill(out, Tint::Ink);
    let (sin, cos) = std::f32::consts::FRAC_PI_4.sin_cos();
    for middle in [0.25, 0.5, 0.75] {
        let (x, y) = (width * 0.52, height * middle);
        out.begin_text();
        out.set_font(Name(b"S"), size);
        let left = [x - long / 2.0 * cos, y - long / 2.0 * sin];
        out.set_text_matrix([cos, sin, -sin, cos, rounded(left[0]), rounded(left[1])]);
        out.show(Str(&strong.encode(CROSS)));
        out.end_text();
    }
    out.restore_state();
    out.end_marked_content();
}

/// Hundredths of a point are finer than any printer.
fn rounded(value: f32) -> f32 {
    (value * 100.0).round() / 100.0
}

fn parts(tint: Tint) -> [f32; 3] {
    tint.rgb().map(|part| f32::from(part) / 255.0)
}

fn fill(out: &mut Content, tint: Tint) {
    let [r, g, b] = parts(tint);
    out.set_fill_rgb(r, g, b);
}

fn stroke(out: &mut Content, tint: Tint, width: f32) {
    let [r, g, b] = parts(tint);
    out.set_stroke_rgb(r, g, b);
    out.set_line_width(width);
}

fn tag(role: Role) -> &'static [u8] {
    match role {
        Role::Document => b"Document",
        Role::Title => b"H1",
        Role::Heading => b"H2",
        Role::Paragraph => b"P",
        Role::Table => b"Table",
        Role::Row => b"TR",
        Role::Head => b"TH",
        Role::Cell => b"TD",
        Role::Figure => b"Figure",
    }
}

fn role(role: Role) -> StructRole {
    match role {
        Role::Document => StructRole::Document,
        Role::Title => StructRole::H1,
        Role::Heading => StructRole::H2,
        Role::Paragraph => StructRole::P,
        Role::Table => StructRole::Table,
        Role::Row => StructRole::TR,
        Role::Head => StructRole::TH,
        Role::Cell => StructRole::TD,
        Role::Figure => StructRole::Figure,
    }
}

/// The tree of tags, and from each piece of content back to its node. Pieces are numbered over the
/// whole page; decoration has a number too, which nothing points to.
fn tags(pdf: &mut Pdf, page: &Page, page_id: Ref, root: Ref, parents: Ref, nodes: &[Ref]) {
    let Some(document) = nodes.first().copied() else {
        return;
    };
    let mut tree = pdf
        .indirect(root)
        .start::<pdf_writer::writers::StructTreeRoot<'_>>();
    tree.child(document);
    tree.parent_tree().nums().insert(0, parents);
    tree.parent_tree_next_key(1);
    tree.finish();
    let mut back = pdf.indirect(parents).array();
    for piece in &page.pieces {
        match piece.node.and_then(|n| nodes.get(n)) {
            Some(node) => back.item(*node),
            None => back.item(document),
        };
    }
    back.finish();
    for (node, id) in page.nodes.iter().zip(nodes) {
        let mut element = pdf.struct_element(*id);
        element.kind(role(node.role));
        element.parent(
            node.parent
                .and_then(|p| nodes.get(p))
                .copied()
                .unwrap_or(root),
        );
        element.page(page_id);
        if !node.alt.is_empty() {
            element.alt(TextStr(&node.alt));
        }
        if node.role == Role::Head {
            element
                .attributes()
                .push()
                .table()
                .scope(pdf_writer::types::TableHeaderScope::Column);
        }
        let mut kids = element.children();
        for kid in &node.kids {
            match kid {
                Kid::Node(node) => {
                    if let Some(id) = nodes.get(*node) {
                        kids.struct_element(*id);
                    }
                }
                Kid::Piece(piece) => {
                    // A page has far fewer pieces than this number holds.
                    kids.marked_content_id(i32::try_from(*piece).unwrap_or(i32::MAX));
                }
            }
        }
    }
}

fn font(pdf: &mut Pdf, used: &Used<'_>, id: Ref, numbers: &mut Numbers) -> Result<(), PrintError> {
    let [cid, descriptor, file, cmap_id] = std::array::from_fn(|_| numbers.next());
    let subset = subsetter::subset(used.face.data, 0, &used.remapper)
        .map_err(|e| PrintError::Fonts(e.to_string()))?;
    // Six capitals and a plus mark a font that holds only some of its glyphs.
    let name = format!("GRAVEL+{}", used.face.name);
    let name = Name(name.as_bytes());
    pdf.type0_font(id)
        .base_font(name)
        .encoding_predefined(Name(b"Identity-H"))
        .descendant_font(cid)
        .to_unicode(cmap_id);
    let mut cid_font = pdf.cid_font(cid);
    cid_font.subtype(CidFontType::Type2);
    cid_font.base_font(name);
    cid_font.system_info(SYSTEM);
    cid_font.font_descriptor(descriptor);
    cid_font.default_width(0.0);
    cid_font.cid_to_gid_map_predefined(Name(b"Identity"));
    let mut widths = cid_font.widths();
    for (glyph, (_, width)) in &used.glyphs {
        widths.consecutive(*glyph, [*width]);
    }
    widths.finish();
    cid_font.finish();
    let face = &used.face.parsed;
    let thousandths = |units: i16| f32::from(units) * 1_000.0 / f32::from(face.units_per_em());
    let bounds = face.global_bounding_box();
    let corner = Rect::new(
        thousandths(bounds.x_min),
        thousandths(bounds.y_min),
        thousandths(bounds.x_max),
        thousandths(bounds.y_max),
    );
    pdf.font_descriptor(descriptor)
        .name(name)
        .flags(FontFlags::NON_SYMBOLIC)
        .bbox(corner)
        .italic_angle(0.0)
        .ascent(thousandths(face.ascender()))
        .descent(thousandths(face.descender()))
        .cap_height(thousandths(
            face.capital_height().unwrap_or(face.ascender()),
        ))
        .stem_v(80.0)
        .font_file2(file);
    let length = i32::try_from(subset.len()).unwrap_or(i32::MAX);
    pdf.stream(file, &subset).pair(Name(b"Length1"), length);
    let mut cmap = UnicodeCmap::new(Name(b"Gravelbar"), SYSTEM);
    for (glyph, (c, _)) in &used.glyphs {
        cmap.pair(*glyph, *c);
    }
    pdf.stream(cmap_id, &cmap.finish());
    Ok(())
}
