//! Kernel: views of a figure to pixels, in software: no graphics card, no display, the same bytes everywhere.
//!
//! ```text
//! TriMesh -Shape-> normals -View-> corners in the picture -raster-> nearest triangle per sample
//!         -occlusion, ground, shade-> linear light -tone-> Image -annotate-> Image with labels
//! ```

pub mod annotate;
pub mod camera;
mod font;
mod ground;
pub mod marked;
mod occlusion;
mod pixels;
pub mod raster;
mod shade;
pub mod shape;
mod tone;

use glam::{DMat3, DVec3};

use crate::colour::spaces::linear_of_bytes;

pub use self::camera::{Camera, Lens, View};
pub use self::ground::Bed;
pub use self::pixels::Image;
pub use self::shape::Shape;

/// A rigid move: `seen = rotation * mesh + shift`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Placement {
    pub rotation: DMat3,
    pub shift: DVec3,
}

impl Placement {
    pub const IDENTITY: Self = Self { rotation: DMat3::IDENTITY, shift: DVec3::ZERO };

    /// Moves without turning.
    #[must_use]
    pub fn shifted(shift: DVec3) -> Self {
        Self { rotation: DMat3::IDENTITY, shift }
    }

    #[must_use]
    pub fn apply(&self, point: DVec3) -> DVec3 {
        self.rotation * point + self.shift
    }
}

/// Where a surface takes its colour from.
#[derive(Clone, Copy, Debug)]
pub enum Colouring<'a> {
    /// The mesh's own colours.
    Vertex,
    /// One entry of a palette (linear light) per triangle; grey where there is none.
    Labels { labels: &'a [u8], palette: &'a [[f32; 3]] },
    /// One colour, linear light.
    Flat([f32; 3]),
}

/// A mesh in a scene.
#[derive(Clone, Copy, Debug)]
pub struct Item<'a> {
    pub shape: &'a Shape<'a>,
    pub colouring: Colouring<'a>,
    pub place: Placement,
    /// Whether back faces are drawn too: for scans that are open or inside out.
    pub two_sided: bool,
}

/// What lies under and behind the items.
#[derive(Clone, Debug, PartialEq)]
pub struct Style {
    /// Samples per pixel in each direction: 2 or 4.
    pub oversampling: usize,
    /// Height of the floor that catches the shadow, mm; none for things that hang in the air.
    pub floor_mm: Option<f64>,
    /// A printer's bed drawn on the floor.
    pub bed: Option<Bed>,
    /// Backdrop at the top and at the bottom of the picture, linear light.
    pub backdrop: [[f32; 3]; 2],
}

impl Default for Style {
    fn default() -> Self {
        let backdrop = [linear_of_bytes([0xcd, 0xd3, 0xd2]), linear_of_bytes([0xa6, 0xaf, 0xaf])];
        Self { oversampling: 2, floor_mm: None, bed: None, backdrop }
    }
}

/// Everything a picture shows.
#[derive(Clone, Debug)]
pub struct Scene<'a> {
    pub items: Vec<Item<'a>>,
    pub camera: Camera,
    /// Width and height, pixels.
    pub size: [usize; 2],
    pub style: Style,
    /// Lowest and highest corner of what decides the frame; what lies outside is shown as far as it is in the picture.
    pub focus: Option<[DVec3; 2]>,
}

/// A drawn scene, with what is needed to write on it.
#[derive(Clone, Debug)]
pub struct Drawn {
    pub image: Image,
    pub view: View,
    /// Per item, the pixel in the middle of what is seen of it.
    pub anchors: Vec<Option<[f64; 2]>>,
}

/// Draws a scene.
#[must_use]
pub fn draw(scene: &Scene<'_>) -> Drawn {
    let [width, height] = scene.size;
    let oversampling = if scene.style.oversampling > 2 { 4 } else { 2 };
    let bed = scene.style.bed.as_ref().zip(scene.style.floor_mm);
    let bed_corners = bed.map(|(bed, z)| bed.corners(z));
    let points = || {
        let surface = scene.items.iter().flat_map(|i| i.shape.mesh.positions.iter().map(|p| i.place.apply(*p)));
        let framed = |p: &DVec3| scene.focus.is_none_or(|[low, high]| p.clamp(low, high) == *p);
        surface.chain(bed_corners.into_iter().flatten()).filter(framed)
    };
    let view = View::fit(&scene.camera, scene.size, points);
    let projected = raster::Projected::new(&scene.items, &view, oversampling);
    let samples = raster::visible(&scene.items, &projected, width * oversampling, height * oversampling);
    let openness = occlusion::openness(&samples, &view, oversampling);
    let floor = scene.style.floor_mm.map(|z| ground::Floor::new(scene, &view, z));
    let anchors = anchors(&samples, &projected, scene.items.len(), oversampling);
    let up = (view.turn() * DVec3::Z).as_vec3();
    let light = shade::Light { scene, view: &view, projected, samples, openness, floor, oversampling, up };
    let image = shade::shade(&light);
    Drawn { image, view, anchors }
}

/// Per item, the seen pixel nearest to the mean of all its seen pixels.
fn anchors(
    samples: &raster::Samples,
    projected: &raster::Projected,
    items: usize,
    oversampling: usize,
) -> Vec<Option<[f64; 2]>> {
    let seen = || {
        let rows = (0..samples.height).step_by(oversampling);
        let pixels = rows.flat_map(|y| (0..samples.width).step_by(oversampling).map(move |x| (x, y)));
        pixels.filter_map(|(x, y)| {
            let triangle = samples.triangle[y * samples.width + x];
            (triangle != raster::NOTHING).then(|| (projected.locate(triangle).0, x as f64, y as f64))
        })
    };
    let mut sums = vec![(0.0, 0.0, 0.0); items];
    for (item, x, y) in seen() {
        let sum = &mut sums[item];
        *sum = (sum.0 + x, sum.1 + y, sum.2 + 1.0);
    }
    let mut best: Vec<Option<(f64, [f64; 2])>> = vec![None; items];
    for (item, x, y) in seen() {
        let (sum_x, sum_y, count) = sums[item];
        let off = (x - sum_x / count).powi(2) + (y - sum_y / count).powi(2);
        if best[item].is_none_or(|(least, _)| off < least) {
            best[item] = Some((off, [x / oversampling as f64 + 0.5, y / oversampling as f64 + 0.5]));
        }
    }
    best.into_iter().map(|b| b.map(|(_, at)| at)).collect()
}
