//! What was written in all, and whether the parts together are the figure.

use super::part_files::PartFiles;
use super::verify::Verified;
use crate::figure::{Figure, Part};
use crate::finding::{Finding, Severity};
use crate::mesh::{Origin, measure};
use crate::stage::{StageContext, StageError};

/// Difference between the figure's volume and that of its parts and sockets that is let pass, relative.
const VOLUME_TOLERANCE: f64 = 1e-6;

/// A part as it was written and found sound.
pub struct Written {
    pub filaments: Vec<String>,
    pub labels: Vec<u8>,
    pub verified: Verified,
}

/// Sums over the run.
#[derive(Default)]
pub struct Totals {
    pub parts: Vec<Written>,
    pub files: usize,
    pub bytes: usize,
    pub solids: usize,
    pub relabelled: usize,
    pub crossing: usize,
    /// Smallest over the parts.
    pub deep_share: Option<f64>,
    pub volume_error: Option<f64>,
}

impl Totals {
    /// Stores a file of the run.
    pub fn put(&mut self, ctx: &mut StageContext<'_>, name: &str, bytes: &[u8]) -> Result<(), StageError> {
        ctx.put(name, bytes)?;
        self.files += 1;
        self.bytes += bytes.len();
        Ok(())
    }

    pub fn add(&mut self, files: &PartFiles, verified: Verified) {
        self.solids += files.solids.len();
        self.relabelled += files.relabelled;
        self.crossing += files.crossing;
        self.deep_share = Some(self.deep_share.map_or(files.deep_share, |share| share.min(files.deep_share)));
        let (filaments, labels) = (files.filaments.clone(), files.labels.clone());
        self.parts.push(Written { filaments, labels, verified });
    }

    /// Checks that parts and sockets together have the volume of the figure before it was cut.
    pub fn check_volumes(&mut self, figure: &Figure, relief_mm3: f64) -> Result<(), StageError> {
        let whole_mm3 = measure::volume_mm3(&figure.whole);
        if whole_mm3 <= 0.0 {
            return Ok(());
        }
        let parts_mm3: f64 = self.parts.iter().map(|part| part.verified.volume_mm3).sum();
        let sockets_mm3 = sockets_mm3(figure);
        let error = (parts_mm3 + sockets_mm3 + relief_mm3) / whole_mm3 - 1.0;
        self.volume_error = Some(error);
        if error.abs() > VOLUME_TOLERANCE {
            let what = format!("parts and sockets together have {:.7} of the figure's volume", 1.0 + error);
            return Err(StageError::failed(what, "this is a fault of the program; keep the scan and report it"));
        }
        Ok(())
    }

    pub fn tell(&self, ctx: &mut StageContext<'_>) {
        let volume_mm3: f64 = self.parts.iter().map(|part| part.verified.volume_mm3).sum();
        let solids_error = self.parts.iter().map(|part| part.verified.solids_error.abs()).fold(0.0, f64::max);
        ctx.figure("parts_written", self.parts.len() as f64);
        ctx.figure("solids_written", self.solids as f64);
        ctx.figure("files_written", self.files as f64);
        ctx.figure("written_bytes", self.bytes as f64);
        ctx.figure("triangles_written", self.parts.iter().map(|part| part.verified.triangles as f64).sum());
        ctx.figure("flat_triangles", self.parts.iter().map(|part| part.verified.flat_triangles as f64).sum());
        ctx.figure("parts_volume_mm3", volume_mm3);
        ctx.figure("solids_volume_error_share", solids_error);
        ctx.figure("triangles_relabelled", self.relabelled as f64);
        ctx.figure("walls_crossing", self.crossing as f64);
        if let Some(share) = self.deep_share {
            ctx.figure("colour_deep_share_min", share);
        }
        if let Some(error) = self.volume_error {
            ctx.figure("parts_volume_error_share", error.abs());
        }
        if self.crossing > 0 {
            let what = format!(
                "walls between colours inside the parts cross in {} places, less than 0.05 mm under the surface",
                self.crossing
            );
            let hint = "harmless in print, and the 3MF files are not concerned: they hold one solid a part";
            ctx.finding(Finding::new(Severity::Note, what).hint(hint));
        }
    }
}

/// Room of all sockets and marks, mm3: what key faces dig under their joint's plane, by the divergence theorem.
fn sockets_mm3(figure: &Figure) -> f64 {
    let dug = |part: &Part| -> f64 {
        let keys = part.mesh.origins.iter().enumerate().filter_map(|(t, origin)| match origin {
            Origin::Key(joint) => figure.joints.get(*joint as usize).map(|joint| (t, joint)),
            _ => None,
        });
        let under = keys.map(|(t, joint)| {
            let height = part.mesh.corners(t).map(|p| joint.normal.dot(p) - joint.offset_mm);
            0.5 * joint.normal.dot(part.mesh.area_vector(t)) * (height[0] + height[1] + height[2]) / 3.0
        });
        -under.sum::<f64>()
    };
    figure.parts.iter().map(dug).sum()
}
