//! Looks colours up on a triangle: evenly spread sample points, and the picture under them.

use crate::colour::spaces;
use crate::format::{Material, Picture, RawMesh, Wrap};

use super::paint::Paint;

/// Weights of the three corners at a point of a triangle.
pub(super) type Weights = [f32; 3];

/// A triangle cut into `steps * steps` equal cells.
#[derive(Clone, Copy, Debug)]
pub(super) struct Lattice {
    steps: usize,
}

/// One cell: upright like its triangle, or upside down.
#[derive(Clone, Copy, Debug)]
pub(super) struct Cell {
    /// Weights of the second and third corner at the cell's first corner.
    origin: [f32; 2],
    /// Signed size, as a share of the triangle's edges.
    size: f32,
}

impl Lattice {
    pub fn new(steps: usize) -> Self {
        Self { steps }
    }

    pub fn cells(self) -> impl Iterator<Item = Cell> {
        let size = 1.0 / self.steps as f32;
        let at = move |row: usize, column: usize| [row as f32 * size, column as f32 * size];
        (0..self.steps).flat_map(move |row| {
            (0..self.steps - row).flat_map(move |column| {
                let upright = Cell { origin: at(row, column), size };
                let turned = Cell { origin: at(row + 1, column + 1), size: -size };
                let has_turned = row + column + 1 < self.steps;
                [Some(upright), has_turned.then_some(turned)].into_iter().flatten()
            })
        })
    }

    /// Centres of all cells.
    pub fn centres(self) -> impl Iterator<Item = Weights> {
        self.cells().map(Cell::centre)
    }
}

impl Cell {
    #[inline]
    pub fn centre(self) -> Weights {
        let [second, third] = self.origin.map(|at| at + self.size / 3.0);
        [1.0 - second - third, second, third]
    }

    /// Centres of the cell's own `steps * steps` cells.
    pub fn centres(self, steps: usize) -> impl Iterator<Item = Weights> {
        Lattice::new(steps).centres().map(move |[_, second, third]| {
            let second = self.origin[0] + self.size * second;
            let third = self.origin[1] + self.size * third;
            [1.0 - second - third, second, third]
        })
    }
}

/// Mean of three colours by weight.
#[inline]
pub(super) fn blend(colours: &[[f32; 3]; 3], weights: Weights) -> [f32; 3] {
    [0, 1, 2].map(|n| (0..3).map(|corner| weights[corner] * colours[corner][n]).sum())
}

/// A picture as it lies over a triangle.
#[derive(Clone, Copy, Debug)]
pub(super) struct Cover<'a> {
    picture: &'a Picture,
    wrap: [Wrap; 2],
}

/// Looks colours up by raw triangle.
#[derive(Debug)]
pub(super) struct Sampler<'a> {
    covers: Vec<Option<Cover<'a>>>,
    face_materials: &'a [u32],
    linear_of_byte: [f32; 256],
}

impl<'a> Sampler<'a> {
    pub fn new(raw: &'a RawMesh) -> Self {
        let cover = |material: &Material| {
            let picture = raw.pictures.get(material.picture?)?;
            Some(Cover { picture, wrap: material.wrap })
        };
        Self {
            covers: raw.materials.iter().map(cover).collect(),
            face_materials: &raw.face_materials,
            linear_of_byte: std::array::from_fn(|byte| spaces::linear_of_byte(byte as u8)),
        }
    }

    /// How a triangle looks; `source` is its raw triangle.
    pub fn patch<'p>(&'p self, source: u32, corners: &'p [Paint; 3]) -> Patch<'p> {
        let material = self.face_materials.get(source as usize);
        let cover = material.and_then(|&m| self.covers.get(m as usize).copied().flatten());
        Patch { sampler: self, cover, corners }
    }

    #[inline]
    fn pixel(&self, Cover { picture, wrap }: Cover, [u, v]: [f32; 2]) -> [f32; 3] {
        let column = wrapped(whole(u * picture.width as f32), picture.width, wrap[0]);
        let row = wrapped(whole(v * picture.height as f32), picture.height, wrap[1]);
        self.light(picture, column, row)
    }

    /// Bilinear, between the centres of four pixels.
    #[inline]
    fn blended(&self, Cover { picture, wrap }: Cover, [u, v]: [f32; 2]) -> [f32; 3] {
        let (x, y) = (u * picture.width as f32 - 0.5, v * picture.height as f32 - 0.5);
        let (left, top) = (whole(x), whole(y));
        let (right_share, low_share) = (x - left as f32, y - top as f32);
        let columns = [left, left + 1].map(|n| wrapped(n, picture.width, wrap[0]));
        let rows = [top, top + 1].map(|n| wrapped(n, picture.height, wrap[1]));
        let mix = |a: [f32; 3], b: [f32; 3], share: f32| [0, 1, 2].map(|n| a[n] + share * (b[n] - a[n]));
        let row = |row| mix(self.light(picture, columns[0], row), self.light(picture, columns[1], row), right_share);
        mix(row(rows[0]), row(rows[1]), low_share)
    }

    #[inline]
    fn light(&self, picture: &Picture, column: usize, row: usize) -> [f32; 3] {
        picture.pixel(column, row).map(|byte| self.linear_of_byte[usize::from(byte)])
    }
}

/// A triangle with its picture, if it has one.
#[derive(Clone, Copy, Debug)]
pub(super) struct Patch<'a> {
    sampler: &'a Sampler<'a>,
    cover: Option<Cover<'a>>,
    corners: &'a [Paint; 3],
}

impl Patch<'_> {
    pub fn has_picture(&self) -> bool {
        self.cover.is_some()
    }

    /// Pixels along the longest edge; 1 without a picture.
    pub fn texels_along(&self) -> f32 {
        let Some(Cover { picture, .. }) = self.cover else { return 1.0 };
        let length = |a: [f32; 2], b: [f32; 2]| {
            let (du, dv) = ((a[0] - b[0]) * picture.width as f32, (a[1] - b[1]) * picture.height as f32);
            (du * du + dv * dv).sqrt()
        };
        let [a, b, c] = self.corners.map(|corner| corner.uv);
        length(a, b).max(length(b, c)).max(length(c, a))
    }

    /// The surface's colour at a point: a pixel, or a blend of four where the picture is magnified.
    #[inline]
    pub fn colour(&self, weights: Weights, is_magnified: bool) -> [f32; 3] {
        let mix = |values: [f32; 3]| weights[0] * values[0] + weights[1] * values[1] + weights[2] * values[2];
        let [a, b, c] = self.corners;
        let tint = [0, 1, 2].map(|n| mix([a.tint[n], b.tint[n], c.tint[n]]));
        let Some(cover) = self.cover else { return tint };
        let uv = [0, 1].map(|n| mix([a.uv[n], b.uv[n], c.uv[n]]));
        let light = if is_magnified { self.sampler.blended(cover, uv) } else { self.sampler.pixel(cover, uv) };
        [0, 1, 2].map(|n| tint[n] * light[n])
    }
}

/// The whole number at or below; NaN gives 0.
#[inline]
fn whole(value: f32) -> i32 {
    // Farther out a picture coordinate means nothing; the bound keeps the neighbour's number in range.
    let cut = value.clamp(-1e9, 1e9) as i32;
    cut - i32::from(value < cut as f32)
}

/// A pixel number brought into the picture.
#[inline]
fn wrapped(number: i32, count: usize, wrap: Wrap) -> usize {
    if (number as usize) < count && number >= 0 {
        return number as usize;
    }
    let count = count as i32;
    let place = match wrap {
        Wrap::Repeat => number.rem_euclid(count),
        Wrap::Clamp => number.clamp(0, count - 1),
        Wrap::Mirror => {
            let place = number.rem_euclid(2 * count);
            if place < count { place } else { 2 * count - 1 - place }
        }
    };
    place as usize
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cells_cover_the_triangle_evenly() {
        for steps in 1..6 {
            let centres: Vec<Weights> = Lattice::new(steps).centres().collect();
            assert_eq!(centres.len(), steps * steps);
            assert!(centres.iter().flatten().all(|&w| w > 0.0));
            for corner in 0..3 {
                let mean = centres.iter().map(|w| w[corner]).sum::<f32>() / centres.len() as f32;
                assert!((mean - 1.0 / 3.0).abs() < 1e-6);
            }
        }
        let of_cells: f32 = Lattice::new(3).cells().flat_map(|cell| cell.centres(2)).map(|w| w[1]).sum();
        assert!((of_cells / 36.0 - 1.0 / 3.0).abs() < 1e-6);
    }

    #[test]
    fn pictures_repeat_mirror_or_end() {
        let row = |wrap| (-4..8).map(|n| wrapped(n, 4, wrap)).collect::<Vec<_>>();
        assert_eq!(row(Wrap::Repeat), [0, 1, 2, 3, 0, 1, 2, 3, 0, 1, 2, 3]);
        assert_eq!(row(Wrap::Mirror), [3, 2, 1, 0, 0, 1, 2, 3, 3, 2, 1, 0]);
        assert_eq!(row(Wrap::Clamp), [0, 0, 0, 0, 0, 1, 2, 3, 3, 3, 3, 3]);
        assert_eq!([-0.5, 0.5, f32::NAN, 1e30].map(whole), [-1, 0, 0, 1_000_000_000]);
    }
}
