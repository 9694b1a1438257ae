//! The pictures of the report: scan beside figure, the figure taken apart, and every part on its bed.

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use glam::DVec3;
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use super::view::View;
use super::view::classes::shades;
use super::{Heads, Report, explode, hidden, plan, words};
use crate::colour::spaces::linear_of_bytes;
use crate::equipment::Printer;
use crate::figure::{Figure, NO_TONE};
use crate::mesh::TriMesh;
use crate::picture::annotate::{Align, Lettering, Pen, spread_labels};
use crate::picture::{Bed, Camera, Colouring, Drawn, Image, Item, Lens, Placement, Scene, Shape, Style, marked};
use crate::stage::{Settings, StageContext};

/// A picture inside the page.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Picture {
    /// The file as a `data:` address.
    pub data: String,
    pub width: usize,
    pub height: usize,
    /// What it shows, for those who cannot see it.
    pub alt: String,
    pub caption: String,
}

/// All pictures of a report; what cannot be shown is missing.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Pictures {
    /// The figure to be turned in the browser.
    pub turning: Option<View>,
    /// Scan and figure from the front, then from behind.
    pub views: Vec<Picture>,
    /// The figure in the colours its filaments were matched to; none before colours are reduced.
    pub matched: Option<Picture>,
    pub exploded: Option<Picture>,
    /// The figure from the front and from behind, with walls too thin to print marked; none when there are none.
    pub thin: Vec<Picture>,
    /// One per part.
    pub parts: Vec<Option<Picture>>,
}

impl Pictures {
    /// The figure from the front as a file.
    #[must_use]
    pub fn preview(&self) -> Option<Vec<u8>> {
        // Scan and figure take turns; without a scan the figure comes first.
        let made = self.views.get((self.views.len() / SIDES.len()).checked_sub(1)?)?;
        STANDARD.decode(made.data.split_once(',')?.1).ok()
    }
}

/// A picture that could not be stored.
#[derive(Debug, thiserror::Error)]
#[error("cannot store a picture of {width} x {height} pixels: {source}")]
pub struct PictureError {
    width: usize,
    height: usize,
    source: image::ImageError,
}

/// Where standing figures are seen from.
const SIDES: [(&str, Camera); 2] = [("front", Camera::front()), ("back", Camera::back())];
const JPEG_QUALITY: u8 = 86;
/// Width over height of a standing figure's picture.
const PORTRAIT: f64 = 0.72;
/// Size of a part's picture, pixels.
const PART_PX: [usize; 2] = [480, 360];
/// Distance of the lines on a bed, and on a bed seen from near, mm.
pub const TICK_MM: f64 = 50.0;
pub const FINE_TICK_MM: f64 = 10.0;
/// Ink of labels, and the paper behind a number, sRGB.
const INK: [u8; 3] = [0x12, 0x3c, 0x46];
const PAPER: [u8; 3] = [0xfb, 0xfa, 0xf6];

/// Draws all pictures, the large ones `height_px` high.
///
/// # Errors
/// When a picture cannot be stored.
pub fn all(settings: &Report, figure: &Figure, ctx: &mut StageContext<'_>) -> Result<Pictures, PictureError> {
    let (height_px, hides) = (settings.picture_height_px, settings.heads == Heads::Hidden);
    let name = format!("report {} scan {height_px} {hides}", Report::VERSION);
    let scan = ctx.kept(&figure.scan_mesh, &name, || scan_views(&figure.scan_mesh, height_px, hides))?;
    let palette: Vec<_> = shades(figure).into_iter().map(linear_of_bytes).collect();
    let labels: Vec<Option<Vec<u8>>> = figure.parts.par_iter().enumerate().map(|(i, _)| looks(figure, i)).collect();
    let shapes: Vec<Shape<'_>> = figure.parts.par_iter().map(|part| Shape::new(&part.mesh)).collect();
    let studio = Studio {
        figure,
        labels: &labels,
        palette: &palette,
        shapes: &shapes,
        printers: plan::printer_of_parts(figure, ctx.equipment),
        height_px,
        head_from_mm: hides.then(|| {
            let (low, high) = figure.bounds();
            hidden::head_from_mm(low.z, high.z)
        }),
    };
    let parts = || (0..figure.parts.len()).into_par_iter().map(|i| studio.part(i)).collect::<Result<_, _>>();
    let large = || rayon::join(|| studio.views(), || rayon::join(|| studio.matched(), || studio.exploded()));
    let (parts, (views, (matched, exploded))) = rayon::join(parts, large);
    let (mut scan, mut made) = (scan.into_iter(), views?.into_iter());
    let views = (0..SIDES.len()).flat_map(|_| [scan.next(), made.next()]).flatten().collect();
    Ok(Pictures { turning: None, views, matched: matched?, exploded: exploded?, thin: studio.thin()?, parts: parts? })
}

/// Palette entries of a part's triangles. Bands are far finer than a pixel, so they are shown as what they melt into.
fn looks(figure: &Figure, part: usize) -> Option<Vec<u8>> {
    let mut labels = figure.parts[part].labels.as_deref().cloned()?;
    for (label, tone) in labels.iter_mut().zip(figure.tone_of(part)).filter(|(_, tone)| **tone != NO_TONE) {
        *label = u8::try_from(figure.palette.len() + usize::from(*tone)).unwrap_or(*label);
    }
    Some(labels)
}

struct Studio<'a> {
    figure: &'a Figure,
    labels: &'a [Option<Vec<u8>>],
    palette: &'a [[f32; 3]],
    shapes: &'a [Shape<'a>],
    /// The printer of each part.
    printers: Vec<&'a Printer>,
    height_px: usize,
    /// Height from which on the figure is head that is not to be recognised; none where it may be.
    head_from_mm: Option<f64>,
}

impl<'a> Studio<'a> {
    /// The figure from each side.
    fn views(&self) -> Result<Vec<Picture>, PictureError> {
        let colours = match &self.figure.blend {
            Some(blend) => format!("its filament colours, bands as from {:.1}\u{202f}m", blend.viewing_mm / 1000.0),
            None if self.reduced() => "its filament colours".to_owned(),
            None => "the colours of the scan".to_owned(),
        };
        let items: Vec<_> = (0..self.shapes.len()).map(|i| self.part_item(i, Placement::IDENTITY)).collect();
        let scene = |camera| self.standing(items.clone(), camera);
        from_each_side(&format!("the figure in {colours}"), scene, self.head_from_mm)
    }

    /// What the filaments were matched to: the scan's colours without noise and without the light on them.
    fn matched(&self) -> Result<Option<Picture>, PictureError> {
        if !self.reduced() {
            return Ok(None);
        }
        let item = |shape| Item { shape, colouring: Colouring::Vertex, place: Placement::IDENTITY, two_sided: false };
        let scene = self.standing(self.shapes.iter().map(item).collect(), Camera::front());
        let alt =
            "The figure in the colours of the scan, with noise and light taken off, seen from the front".to_owned();
        Ok(Some(embed(
            &hidden::drawn(&scene, self.head_from_mm).image,
            alt,
            "What the filaments are matched to: noise and light taken off".to_owned(),
        )?))
    }

    fn exploded(&self) -> Result<Option<Picture>, PictureError> {
        let shown = self.shapes.iter().any(|shape| !shape.triangles().is_empty());
        if self.figure.parts.len() < 2 || !shown {
            return Ok(None);
        }
        let shifts = explode::shifts(self.figure);
        let items = shifts.iter().enumerate().map(|(i, shift)| self.part_item(i, Placement::shifted(*shift))).collect();
        let camera = Camera { margin: 0.09, elevation_deg: 12.0, ..Camera::at(24.0) };
        let height = self.height_px * 6 / 5;
        let mut scene = self.standing(items, camera);
        scene.size = [height * 4 / 5, height];
        let mut drawn = hidden::drawn(&scene, self.head_from_mm);
        self.number_parts(&mut drawn);
        let parts = self.figure.parts.len();
        let alt = format!("The figure taken apart along its joints into {parts} numbered parts");
        Ok(Some(embed(&drawn.image, alt, format!("Taken apart: {parts} parts, numbered as in the tables below"))?))
    }

    fn thin(&self) -> Result<Vec<Picture>, PictureError> {
        /// Size of a mark, as a share of the figure's height.
        const MARK_SHARE: f64 = 0.006;
        let (whole, points) = (&self.figure.whole, &self.figure.thin_at);
        let (low, high) = bounds(whole, &Placement::IDENTITY);
        if points.is_empty() || whole.triangles.is_empty() {
            return Ok(Vec::new());
        }
        let marks = marked::around(whole, points, MARK_SHARE * (high.z - low.z));
        let shape = Shape::new(whole);
        let size = portrait(self.height_px);
        let view = |(side, camera): &(&str, Camera)| {
            let style = Style { floor_mm: Some(low.z), ..Style::default() };
            let mut drawn = marked::draw_marked(&shape, &marks, *camera, size, style);
            hidden::hide(&mut drawn, whole, &Placement::IDENTITY, self.head_from_mm);
            let alt = format!("The figure seen from the {side}, walls too thin to print marked");
            embed(&drawn.image, alt, format!("Walls too thin to print are marked, {side}"))
        };
        SIDES.iter().map(view).collect()
    }

    /// Numbers at the left and right rim, each with a line to its part.
    fn number_parts(&self, drawn: &mut Drawn) {
        let (width, height) = (drawn.image.width as f64, drawn.image.height as f64);
        let radius = height * 0.0155;
        let lettering = Lettering::of(radius * 0.95, Align::Centre);
        let middle = 0.5 * width;
        for left in [true, false] {
            let side: Vec<(usize, [f64; 2])> =
                drawn.anchors.iter().enumerate().filter_map(|(i, a)| Some((i, (*a)?))).collect();
            let side: Vec<_> = side.into_iter().filter(|(_, at)| (at[0] < middle) == left).collect();
            let wished: Vec<f64> = side.iter().map(|(_, at)| at[1]).collect();
            let heights = spread_labels(&wished, radius * 2.7, radius * 2.0, height - radius * 2.0);
            let x = if left { radius * 2.0 } else { width - radius * 2.0 };
            let mut pen = Pen::on(&mut drawn.image);
            for ((part, at), y) in side.iter().zip(heights) {
                pen.line([x, y], *at, 4.2, PAPER);
                pen.line([x, y], *at, 1.6, INK);
                pen.disc(*at, 4.4, PAPER);
                pen.disc(*at, 3.0, INK);
                pen.disc([x, y], radius, PAPER);
                pen.circle([x, y], radius, 1.6, INK);
                let number = self.figure.parts[*part].number.to_string();
                pen.text([x, y + 0.5 * lettering.capital_px], &number, lettering, INK);
            }
        }
    }

    /// A part as it lies on the bed; as it stands in the figure when it has no pose yet.
    fn part(&self, index: usize) -> Result<Option<Picture>, PictureError> {
        let part = &self.figure.parts[index];
        let shape = &self.shapes[index];
        if shape.triangles().is_empty() {
            return Ok(None);
        }
        let place = part.pose.map_or(Placement::IDENTITY, |p| Placement { rotation: p.rotation, shift: p.shift });
        let (low, high) = bounds(&part.mesh, &place);
        let mut bed = part.pose.map(|_| bed_under(self.printers[index], low, high));
        let focus = bed.as_ref().and_then(|bed| near_part(bed, low, high));
        let margin = if focus.is_some() { 0.2 } else { 0.075 };
        if let (Some(bed), Some(_)) = (&mut bed, focus) {
            bed.tick_mm = FINE_TICK_MM;
        }
        let camera = Camera { elevation_deg: 27.0, lens: Lens::Orthographic, margin, ..Camera::at(-32.0) };
        let style = Style { floor_mm: Some(low.z), bed: bed.clone(), ..Style::default() };
        let items = vec![self.part_item(index, place)];
        let scene = Scene { items, camera, size: PART_PX, style, focus };
        let mut drawn = hidden::drawn(&scene, self.head_from_mm);
        if let Some(bed) = &bed {
            label_bed(&mut drawn, bed, low.z);
        }
        let alt = match bed {
            Some(_) => format!("Part {} lying on the print bed", part.name),
            None => format!("Part {}", part.name),
        };
        Ok(Some(embed(&drawn.image, alt, part.name.clone())?))
    }

    /// Items on a floor under the lowest of them.
    fn standing(&self, items: Vec<Item<'a>>, camera: Camera) -> Scene<'a> {
        let lowest = |item: &Item<'_>| item.shape.low.z + item.place.shift.z;
        let floor_mm = items.iter().map(lowest).filter(|z| z.is_finite()).reduce(f64::min);
        let style = Style { floor_mm, ..Style::default() };
        Scene { items, camera, size: portrait(self.height_px), style, focus: None }
    }

    fn part_item(&self, index: usize, place: Placement) -> Item<'a> {
        let labels = self.labels[index].as_ref().filter(|_| !self.palette.is_empty());
        let colouring = match labels {
            Some(labels) => Colouring::Labels { labels, palette: self.palette },
            None => Colouring::Vertex,
        };
        Item { shape: &self.shapes[index], colouring, place, two_sided: false }
    }

    fn reduced(&self) -> bool {
        !self.palette.is_empty() && self.figure.parts.iter().any(|part| part.labels.is_some())
    }
}

/// Size of a standing figure's picture, pixels.
fn portrait(height_px: usize) -> [usize; 2] {
    [(height_px as f64 * PORTRAIT).round() as usize, height_px]
}

/// The scan from each side.
fn scan_views(scan: &TriMesh, height_px: usize, hides: bool) -> Result<Vec<Picture>, PictureError> {
    let (shape, focus) = (Shape::new(scan), focus(scan));
    let item = Item { shape: &shape, colouring: Colouring::Vertex, place: Placement::IDENTITY, two_sided: true };
    let floor_mm = Some(focus.map_or(shape.low.z, |[low, _]| low.z)).filter(|z| z.is_finite());
    let style = Style { floor_mm, ..Style::default() };
    let items = vec![item];
    let scene = |camera| Scene { items: items.clone(), camera, size: portrait(height_px), style: style.clone(), focus };
    let (low, high) = focus.map_or((shape.low, shape.high), |[low, high]| {
        let reach = DVec3::splat(REACH_SHARE / (1.0 + 2.0 * REACH_SHARE) * (high - low).max_element());
        (low + reach, high - reach)
    });
    from_each_side("the scan as it came in", scene, hides.then(|| hidden::head_from_mm(low.z, high.z)))
}

/// A scene from the front and from behind; nothing when there is nothing to see.
fn from_each_side<'a>(
    what: &str,
    scene: impl Fn(Camera) -> Scene<'a> + Sync,
    head_from_mm: Option<f64>,
) -> Result<Vec<Picture>, PictureError> {
    let drawn = |(side, camera): &(&str, Camera)| {
        let scene = scene(*camera);
        if scene.items.iter().all(|item| item.shape.triangles().is_empty()) {
            return Ok(None);
        }
        let what = words::capital(what);
        let drawn = hidden::drawn(&scene, head_from_mm);
        embed(&drawn.image, format!("{what}, seen from the {side}"), format!("{what}, {side}")).map(Some)
    };
    let pictures: Vec<Option<Picture>> = SIDES.par_iter().map(drawn).collect::<Result<_, _>>()?;
    Ok(pictures.into_iter().flatten().collect())
}

/// Share of a scan's vertices at either end of an axis that may be stray, and how far a body may reach beyond the rest.
const STRAY_SHARE: f64 = 0.004;
const REACH_SHARE: f64 = 0.06;
/// Vertices that are asked where a scan lies.
const ASKED: usize = 60_000;

/// Where most of a scan lies, mm: a few stray pieces far off should not make the subject small.
fn focus(scan: &TriMesh) -> Option<[DVec3; 2]> {
    let step = (scan.positions.len() / ASKED).max(1);
    let asked: Vec<DVec3> = scan.positions.iter().step_by(step).copied().filter(|p| p.is_finite()).collect();
    let stray = (asked.len() as f64 * STRAY_SHARE) as usize;
    let ends = |axis: usize| {
        let mut along: Vec<f64> = asked.iter().map(|p| p[axis]).collect();
        along.sort_by(f64::total_cmp);
        Some([*along.get(stray)?, *along.get(along.len().checked_sub(1 + stray)?)?])
    };
    let [x, y, z] = [ends(0)?, ends(1)?, ends(2)?];
    let (low, high) = (DVec3::new(x[0], y[0], z[0]), DVec3::new(x[1], y[1], z[1]));
    let reach = DVec3::splat(REACH_SHARE * (high - low).max_element());
    Some([low - reach, high + reach])
}

/// Lowest and highest corner of a placed mesh, mm.
fn bounds(mesh: &TriMesh, place: &Placement) -> (DVec3, DVec3) {
    let points = mesh.positions.iter().map(|p| place.apply(*p)).filter(|p| p.is_finite());
    points.fold((DVec3::INFINITY, DVec3::NEG_INFINITY), |(low, high), p| (low.min(p), high.max(p)))
}

/// The printer's bed: its corner at the origin when the part lies within it like that, else centred on the part.
fn bed_under(printer: &Printer, low: DVec3, high: DVec3) -> Bed {
    let size = DVec3::from(printer.volume_mm);
    let inside = low.x >= -1e-6 && low.y >= -1e-6 && high.x <= size.x + 1e-6 && high.y <= size.y + 1e-6;
    let corner = if inside { DVec3::ZERO } else { 0.5 * (low + high - size) };
    let far = corner + size;
    Bed { low_mm: [corner.x, corner.y], high_mm: [far.x, far.y], tick_mm: TICK_MM }
}

/// Share of the bed's longer side below which a part is shown from near, with only some of the bed around it.
const SMALL_SHARE: f64 = 0.3;

/// The surroundings of a part that would be lost on its bed.
fn near_part(bed: &Bed, low: DVec3, high: DVec3) -> Option<[DVec3; 2]> {
    let side_mm = (bed.high_mm[0] - bed.low_mm[0]).max(bed.high_mm[1] - bed.low_mm[1]);
    let around = DVec3::splat(0.1 * (high - low).max_element());
    ((high - low).max_element() < SMALL_SHARE * side_mm).then_some([low - around, high + around])
}

/// Writes the bed's width and depth along its two near edges.
fn label_bed(drawn: &mut Drawn, bed: &Bed, floor_mm: f64) {
    let corners = bed.corners(floor_mm).map(|corner| drawn.view.project(corner));
    let spans = [bed.high_mm[0] - bed.low_mm[0], bed.high_mm[1] - bed.low_mm[1]];
    let lettering = Lettering::of(12.5, Align::Centre);
    // Seen from the front left: the front edge runs from corner 0 to 1, the left one from 3 to 0.
    for ([from, to], span, align) in [([0, 1], spans[0], Align::Left), ([3, 0], spans[1], Align::Right)] {
        let (from, to) = (corners[from], corners[to]);
        let away = if align == Align::Left { 7.0 } else { -7.0 };
        let at = [0.5 * (from.x + to.x) + away, 0.5 * (from.y + to.y) + 7.0 + lettering.capital_px];
        let rim = 4.0 * lettering.capital_px;
        let shown = (rim..PART_PX[0] as f64 - rim).contains(&at[0]) && at[1] < PART_PX[1] as f64 - 2.0;
        if !shown {
            continue;
        }
        Pen::on(&mut drawn.image).text(at, &format!("{span:.0} mm"), Lettering { align, ..lettering }, INK);
    }
}

fn embed(image: &Image, alt: String, caption: String) -> Result<Picture, PictureError> {
    let (width, height) = (image.width, image.height);
    let file = image.jpeg(JPEG_QUALITY).map_err(|source| PictureError { width, height, source })?;
    let data = format!("data:image/jpeg;base64,{}", STANDARD.encode(file));
    Ok(Picture { data, width, height, alt, caption })
}
