//! The cleaned figure from the front, the back and the top, with what the scanner did not see marked.

use crate::figure::Figure;
use crate::mesh::Origin;
use crate::mesh::measure::bounds;
use crate::picture::annotate::{Align, Lettering, Pen};
use crate::picture::marked::{CLAY, draw_marked};
use crate::picture::{Camera, Image, Lens, Shape, Style};

const INK: [u8; 3] = [0x12, 0x3c, 0x46];
/// Size of one view, pixels.
const VIEW_PX: [usize; 2] = [520, 720];

/// Draws the three views side by side.
#[must_use]
pub fn views(figure: &Figure) -> Image {
    let shape = Shape::new(&figure.whole);
    let missing: Vec<bool> = figure.whole.origins.iter().map(|origin| *origin == Origin::Fill).collect();
    let top = Camera { elevation_deg: 80.0, lens: Lens::Orthographic, ..Camera::front() };
    let floor = bounds(&figure.whole.positions).0.z;
    let mut page = Image::filled(3 * VIEW_PX[0], VIEW_PX[1], CLAY);
    for (i, (name, camera)) in
        [("front", Camera::front()), ("back", Camera::back()), ("top", top)].into_iter().enumerate()
    {
        let style = Style { floor_mm: (name != "top").then_some(floor), ..Style::default() };
        let mut drawn = draw_marked(&shape, &missing, camera, VIEW_PX, style);
        let lettering = Lettering::of(13.0, Align::Centre);
        Pen::on(&mut drawn.image).text([0.5 * VIEW_PX[0] as f64, VIEW_PX[1] as f64 - 22.0], name, lettering, INK);
        page.paste(&drawn.image, [i * VIEW_PX[0], 0]);
    }
    page
}
