//! The camera: where it stands, how it sees, and how a scene is fitted to the picture.
//!
//! Figure coordinates are millimetres, z up; a figure is taken to face -y. Azimuth 0 looks it in the face, 90 degrees
//! sees its left side, 180 its back.

use glam::{DMat3, DVec3};

/// How lines of sight run.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Lens {
    /// Parallel: lengths can be compared anywhere in the picture.
    Orthographic,
    /// From a point this many scene radii away from the middle of the scene.
    Perspective { radii: f64 },
}

/// A point of view; the distance follows from what is to be seen.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Camera {
    pub azimuth_deg: f64,
    /// Above the horizon.
    pub elevation_deg: f64,
    pub lens: Lens,
    /// Empty rim on each side, as a share of the picture's shorter edge.
    pub margin: f64,
}

impl Camera {
    /// Slightly from above, at this azimuth, with a mild perspective.
    #[must_use]
    pub const fn at(azimuth_deg: f64) -> Self {
        Self { azimuth_deg, elevation_deg: 7.0, lens: Lens::Perspective { radii: 5.0 }, margin: 0.07 }
    }

    /// Face to face.
    #[must_use]
    pub const fn front() -> Self {
        Self::at(0.0)
    }

    /// Between front and left side.
    #[must_use]
    pub fn three_quarter() -> Self {
        Self { elevation_deg: 14.0, ..Self::at(35.0) }
    }

    /// From behind.
    #[must_use]
    pub const fn back() -> Self {
        Self::at(180.0)
    }

    /// The figure's left side.
    #[must_use]
    pub fn side() -> Self {
        Self::at(90.0)
    }

    /// Axes of the picture in the scene: right, up, and back towards the camera.
    #[must_use]
    pub fn axes(&self) -> [DVec3; 3] {
        let (sin, cos) = self.azimuth_deg.to_radians().sin_cos();
        let (rise, run) = self.elevation_deg.to_radians().sin_cos();
        let right = DVec3::new(cos, sin, 0.0);
        let back = DVec3::new(sin * run, -cos * run, rise);
        [right, back.cross(right), back]
    }
}

/// A point in the picture: pixels from the upper left corner, and nearness, which grows towards the camera.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Seen {
    pub x: f64,
    pub y: f64,
    /// Perspective: one over the distance along the line of view; orthographic: minus that distance. Linear across
    /// a flat triangle in either case.
    pub near: f64,
}

/// A camera set up for one scene and picture size.
#[derive(Clone, Debug, PartialEq)]
pub struct View {
    /// Right, up, back.
    pub axes: [DVec3; 3],
    pub eye: DVec3,
    perspective: bool,
    /// Pixels per unit of slope (perspective) or per mm (orthographic).
    focal_px: f64,
    centre_px: [f64; 2],
}

impl View {
    /// Sets the camera up so that all points are in the picture, as large as the margin allows.
    ///
    /// `points` runs over the points twice: once for the middle, once for the frame. No point at all gives a view of
    /// the origin.
    #[must_use]
    pub fn fit<I: Iterator<Item = DVec3>>(camera: &Camera, size: [usize; 2], points: impl Fn() -> I) -> Self {
        let finite = || points().filter(|p| p.is_finite());
        let (low, high) = finite().fold((DVec3::INFINITY, DVec3::NEG_INFINITY), |(l, h), p| (l.min(p), h.max(p)));
        let (middle, radius_mm) =
            if low.x <= high.x { (0.5 * (low + high), 0.5 * (high - low).length()) } else { (DVec3::ZERO, 1.0) };
        let axes = camera.axes();
        let radii = match camera.lens {
            Lens::Perspective { radii } => radii.max(1.5),
            Lens::Orthographic => 2.0,
        };
        let mut view = Self {
            axes,
            eye: middle + axes[2] * (radii * radius_mm.max(1e-3)),
            perspective: matches!(camera.lens, Lens::Perspective { .. }),
            focal_px: 1.0,
            centre_px: [0.0; 2],
        };
        let mut frame = [f64::INFINITY, f64::INFINITY, f64::NEG_INFINITY, f64::NEG_INFINITY];
        for seen in finite().map(|p| view.project(p)) {
            frame = [frame[0].min(seen.x), frame[1].min(seen.y), frame[2].max(seen.x), frame[3].max(seen.y)];
        }
        if frame[0] > frame[2] {
            frame = [-1.0, -1.0, 1.0, 1.0];
        }
        let [width, height] = size.map(|s| s as f64);
        let room = 1.0 - 2.0 * camera.margin.clamp(0.0, 0.45);
        let rim_px = camera.margin * width.min(height);
        let span = |low: f64, high: f64| (high - low).max(1e-9);
        let fit_x = (width - 2.0 * rim_px).max(width * room * 0.5) / span(frame[0], frame[2]);
        let fit_y = (height - 2.0 * rim_px).max(height * room * 0.5) / span(frame[1], frame[3]);
        view.focal_px = fit_x.min(fit_y);
        view.centre_px = [
            0.5 * width - view.focal_px * 0.5 * (frame[0] + frame[2]),
            0.5 * height - view.focal_px * 0.5 * (frame[1] + frame[3]),
        ];
        view
    }

    /// Where a point of the scene lies in the picture.
    #[must_use]
    pub fn project(&self, point: DVec3) -> Seen {
        let away = point - self.eye;
        let ahead_mm = -away.dot(self.axes[2]);
        let (shrink, near) = if self.perspective { (1.0 / ahead_mm, 1.0 / ahead_mm) } else { (1.0, -ahead_mm) };
        Seen {
            x: self.centre_px[0] + self.focal_px * shrink * away.dot(self.axes[0]),
            y: self.centre_px[1] - self.focal_px * shrink * away.dot(self.axes[1]),
            near,
        }
    }

    /// Distance along the line of view, mm.
    #[must_use]
    pub fn ahead_mm(&self, near: f64) -> f64 {
        if self.perspective { 1.0 / near } else { -near }
    }

    /// Pixels per mm at a nearness.
    #[must_use]
    pub fn px_per_mm(&self, near: f64) -> f64 {
        if self.perspective { self.focal_px * near } else { self.focal_px }
    }

    /// The line of sight through a place in the picture: start and direction in the scene, one mm ahead per unit.
    #[must_use]
    pub fn ray(&self, x: f64, y: f64) -> (DVec3, DVec3) {
        let across = (x - self.centre_px[0]) / self.focal_px;
        let upward = (self.centre_px[1] - y) / self.focal_px;
        let offset = self.axes[0] * across + self.axes[1] * upward;
        if self.perspective { (self.eye, offset - self.axes[2]) } else { (self.eye + offset, -self.axes[2]) }
    }

    /// Position in camera axes (right, up, back) relative to the eye, mm.
    #[must_use]
    pub fn unproject(&self, seen: Seen) -> DVec3 {
        let ahead = self.ahead_mm(seen.near);
        let spread = if self.perspective { ahead } else { 1.0 } / self.focal_px;
        DVec3::new((seen.x - self.centre_px[0]) * spread, (self.centre_px[1] - seen.y) * spread, -ahead)
    }

    /// Rotation from scene to camera axes.
    #[must_use]
    pub fn turn(&self) -> DMat3 {
        DMat3::from_cols(self.axes[0], self.axes[1], self.axes[2]).transpose()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cube() -> impl Iterator<Item = DVec3> {
        (0..8).map(|i| DVec3::new(f64::from(i & 1), f64::from(i >> 1 & 1), f64::from(i >> 2)) * 100.0)
    }

    #[test]
    fn every_point_is_in_the_picture_and_touches_the_margin() {
        for lens in [Lens::Orthographic, Lens::Perspective { radii: 4.0 }] {
            for azimuth_deg in [0.0, 33.0, 90.0, 180.0, 271.0] {
                let camera = Camera { lens, margin: 0.1, ..Camera::at(azimuth_deg) };
                let view = View::fit(&camera, [300, 200], cube);
                let seen: Vec<_> = cube().map(|p| view.project(p)).collect();
                let top = seen.iter().map(|s| s.y).fold(f64::INFINITY, f64::min);
                let bottom = seen.iter().map(|s| s.y).fold(0.0, f64::max);
                let left = seen.iter().map(|s| s.x).fold(f64::INFINITY, f64::min);
                assert!((top - 20.0).abs() < 1e-6 && (bottom - 180.0).abs() < 1e-6, "{top} {bottom}");
                assert!(left >= 20.0 - 1e-6, "{left}");
            }
        }
    }

    #[test]
    fn a_seen_point_leads_back_to_itself() {
        for lens in [Lens::Orthographic, Lens::Perspective { radii: 4.0 }] {
            let view = View::fit(&Camera { lens, ..Camera::three_quarter() }, [300, 200], cube);
            let point = DVec3::new(12.0, 34.0, 56.0);
            let seen = view.project(point);
            assert!((view.unproject(seen) - view.turn() * (point - view.eye)).length() < 1e-9);
            let (start, along) = view.ray(seen.x, seen.y);
            assert!((start + along * view.ahead_mm(seen.near) - point).length() < 1e-9);
        }
    }

    #[test]
    fn the_figures_left_is_on_the_right_of_its_front_view() {
        let view = View::fit(&Camera::front(), [300, 200], cube);
        let (left_hand, right_hand) = (DVec3::new(100.0, 0.0, 50.0), DVec3::new(0.0, 0.0, 50.0));
        assert!(view.project(left_hand).x > view.project(right_hand).x);
        assert!(view.project(DVec3::ZERO).near > view.project(DVec3::new(0.0, 100.0, 0.0)).near, "the front is nearer");
    }
}
