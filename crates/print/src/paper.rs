//! A document under way: pages, text and shapes.

use krilla::Document;
use krilla::color::rgb;
use krilla::geom::{PathBuilder, Point, Rect};
use krilla::metadata::Metadata;
use krilla::num::NormalizedF32;
use krilla::page::PageSettings;
use krilla::paint::{Fill, FillRule};
use krilla::surface::Surface;
use krilla::text::{Font, GlyphId, KrillaGlyph};
use parley::fontique::{Blob, Collection, CollectionOptions, SourceCache};
use parley::style::{FontFamily, FontFamilyName, FontWeight, LineHeight, StyleProperty};
use parley::{Alignment, FontContext, LayoutContext};

use crate::error::PrintError;
use crate::qr::Modules;

/// Points in a millimetre.
const POINTS: f32 = 72.0 / 25.4;
const FAMILY: &str = "Noto Sans";

/// How a text looks.
#[derive(Clone, Copy)]
pub(super) struct Look {
    /// In points.
    pub(super) size: f32,
    pub(super) bold: bool,
    pub(super) centred: bool,
    /// From black (0) to white (255).
    pub(super) grey: u8,
}

/// Plain text of a size.
pub(super) const fn plain(size: f32) -> Look {
    Look { size, bold: false, centred: false, grey: 0 }
}

/// Bold text of a size.
pub(super) const fn bold(size: f32) -> Look {
    Look { bold: true, ..plain(size) }
}

/// A place and how wide it is.
#[derive(Clone, Copy)]
pub(super) struct At {
    pub(super) x: f32,
    pub(super) y: f32,
    pub(super) width: f32,
}

/// The typeface, for laying out and for embedding.
pub(super) struct Type {
    fonts: FontContext,
    layouts: LayoutContext<()>,
    regular: Font,
    bold: Font,
}

impl Type {
    pub(super) fn new() -> Result<Self, PrintError> {
        let options = CollectionOptions { shared: false, system_fonts: false };
        let mut collection = Collection::new(options);
        for face in [notosans::REGULAR_TTF, notosans::BOLD_TTF] {
            collection.register_fonts(Blob::from(face.to_vec()), None);
        }
        let face = |bytes: &[u8]| {
            Font::new(bytes.to_vec().into(), 0).ok_or_else(|| PrintError("the typeface".to_owned()))
        };
        Ok(Self {
            fonts: FontContext { collection, source_cache: SourceCache::default() },
            layouts: LayoutContext::new(),
            regular: face(notosans::REGULAR_TTF)?,
            bold: face(notosans::BOLD_TTF)?,
        })
    }
}

/// A page that is drawn on.
pub(super) struct Drawing<'a, 'b> {
    surface: &'b mut Surface<'a>,
    typeface: &'b mut Type,
}

/// Makes a document with one page of a size.
pub(super) fn one_page(
    title: &str,
    size: (f32, f32),
    mut draw: impl FnMut(&mut Drawing<'_, '_>),
) -> Result<Vec<u8>, PrintError> {
    pages(title, size, |drawing| {
        draw(drawing);
        false
    })
}

/// Makes a document of pages of a size: each is drawn, and said whether another follows.
pub(super) fn pages(
    title: &str,
    (width, height): (f32, f32),
    mut draw: impl FnMut(&mut Drawing<'_, '_>) -> bool,
) -> Result<Vec<u8>, PrintError> {
    let mut typeface = Type::new()?;
    let mut document = Document::new();
    document.set_metadata(Metadata::new().title(title.to_owned()));
    let settings = PageSettings::from_wh(width * POINTS, height * POINTS)
        .ok_or_else(|| PrintError("the size of the page".to_owned()))?;
    loop {
        let mut page = document.start_page_with(settings.clone());
        let mut surface = page.surface();
        let more = draw(&mut Drawing { surface: &mut surface, typeface: &mut typeface });
        surface.finish();
        page.finish();
        if !more {
            break;
        }
    }
    document.finish().map_err(|error| PrintError(format!("{error:?}")))
}

impl Drawing<'_, '_> {
    fn ink(&mut self, grey: u8) {
        let paint = rgb::Color::new(grey, grey, grey).into();
        self.surface.set_fill(Some(Fill { paint, opacity: NormalizedF32::ONE, rule: FillRule::NonZero }));
    }

    /// Sets a text in a column, lines broken where they have to be; how high it came out.
    pub(super) fn text(&mut self, at: At, look: Look, text: &str) -> f32 {
        self.ink(look.grey);
        let Type { fonts, layouts, regular, bold } = &mut *self.typeface;
        let mut builder = layouts.ranged_builder(fonts, text, 1.0, false);
        builder.push_default(StyleProperty::FontFamily(FontFamily::Single(FontFamilyName::named(FAMILY))));
        builder.push_default(StyleProperty::FontSize(look.size));
        builder.push_default(StyleProperty::LineHeight(LineHeight::FontSizeRelative(1.35)));
        let weight = if look.bold { FontWeight::BOLD } else { FontWeight::NORMAL };
        builder.push_default(StyleProperty::FontWeight(weight));
        let mut layout = builder.build(text);
        layout.break_all_lines(Some(at.width * POINTS));
        let alignment = if look.centred { Alignment::Center } else { Alignment::Start };
        layout.align(alignment, parley::AlignmentOptions::default());
        let font = if look.bold { bold } else { regular };
        for line in layout.lines() {
            let mut x = at.x * POINTS + line.metrics().offset;
            let y = at.y * POINTS + line.metrics().baseline;
            for run in line.runs() {
                let (start, size) = (x, run.font_size());
                let mut glyphs = Vec::new();
                for cluster in run.visual_clusters() {
                    for glyph in cluster.glyphs() {
                        glyphs.push(KrillaGlyph::new(
                            GlyphId::new(glyph.id),
                            glyph.advance / size,
                            glyph.x / size,
                            glyph.y / size,
                            0.0,
                            cluster.text_range(),
                            None,
                        ));
                        x += glyph.advance;
                    }
                }
                if !glyphs.is_empty() {
                    self.surface.draw_glyphs(
                        Point::from_xy(start, y),
                        &glyphs,
                        font.clone(),
                        text,
                        size,
                        false,
                    );
                }
            }
        }
        layout.height() / POINTS
    }

    /// Fills a rectangle.
    pub(super) fn fill(&mut self, (x, y): (f32, f32), (width, height): (f32, f32), grey: u8) {
        self.ink(grey);
        let rectangle = Rect::from_xywh(x * POINTS, y * POINTS, width * POINTS, height * POINTS);
        let mut path = PathBuilder::new();
        if let Some(rectangle) = rectangle {
            path.push_rect(rectangle);
        }
        if let Some(path) = path.finish() {
            self.surface.draw_path(&path);
        }
    }

    /// A thin line along the edge of a rectangle.
    pub(super) fn frame(&mut self, (x, y): (f32, f32), (width, height): (f32, f32)) {
        const HAIR: f32 = 0.15;
        for (corner, size) in [
            ((x, y), (width, HAIR)),
            ((x, y + height - HAIR), (width, HAIR)),
            ((x, y), (HAIR, height)),
            ((x + width - HAIR, y), (HAIR, height)),
        ] {
            self.fill(corner, size, 120);
        }
    }

    /// A QR code without its quiet zone, which has to stay white: four modules on every side.
    pub(super) fn qr(&mut self, (x, y): (f32, f32), width: f32, modules: &Modules) {
        self.ink(0);
        let mut path = PathBuilder::new();
        let unit = width * POINTS / modules.width_f32();
        for run in modules.dark_runs() {
            let (left, top) = (x * POINTS + run.x * unit, y * POINTS + run.y * unit);
            if let Some(rectangle) = Rect::from_xywh(left, top, run.length * unit, unit) {
                path.push_rect(rectangle);
            }
        }
        if let Some(path) = path.finish() {
            self.surface.draw_path(&path);
        }
    }
}
