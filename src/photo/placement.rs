//! Where the panel lies in a photo.
//!
//! Points in the photo are (column, row) in pixels of the upright picture (EXIF orientation
//! applied), from the top left corner: the middle of the first pixel is (0.5, 0.5).

pub mod camera;
pub mod crown;
pub mod homography;
pub mod odd;
pub mod solve;

use camera::Camera;
use nalgebra::Matrix3;

/// The map between panel and photo.
#[derive(Clone, Debug, PartialEq)]
pub struct Placement {
    /// Homography, photo from panel: (u, v, w) = H·(x, y, 1), x and y in mm, column u/w and row
    /// v/w. Where the panel is bent or the lens distorts, only the nearest one;
    /// [`Placement::point_in_photo`] has the rest.
    pub photo_from_panel: [[f64; 3]; 3],
    /// Its inverse.
    pub panel_from_photo: [[f64; 3]; 3],
    /// The camera and the bent panel it sees; `None` where the homography is all.
    camera: Option<Camera>,
}

/// Most steps from photo to panel.
const MOST_STEPS: usize = 30;
/// The last step from photo to panel is shorter than this, mm.
const CLOSE_MM: f64 = 1e-4;

impl Placement {
    /// From a homography photo-from-panel; `None` when it has no inverse.
    pub fn from_homography(photo_from_panel: [[f64; 3]; 3]) -> Option<Self> {
        let h = Matrix3::from_fn(|r, c| photo_from_panel[r][c]);
        let inverse = h.try_inverse()?;
        Some(Placement {
            photo_from_panel,
            panel_from_photo: rows_of(&inverse),
            camera: None,
        })
    }

    /// From a camera that sees a panel of this length and width, mm; `None` when part of the panel
    /// is out of its sight.
    pub fn from_camera(camera: Camera, length_mm: f64, width_mm: f64) -> Option<Self> {
        const ALONG: [f64; 5] = [0.0, 0.25, 0.5, 0.75, 1.0];
        let pairs: Option<Vec<homography::Pair>> = ALONG
            .iter()
            .flat_map(|t| ALONG.map(|s| [s * length_mm, t * width_mm]))
            .map(|p| camera.point_in_photo(p[0], p[1]).map(|q| (p, q)))
            .collect();
        let (h, _) = homography::fitted(&pairs?)?;
        Some(Placement {
            camera: Some(camera),
            ..Placement::from_homography(rows_of(&h))?
        })
    }

    /// The camera that a bent panel or a distorting lens asked for, if one did.
    pub fn camera(&self) -> Option<&Camera> {
        self.camera.as_ref()
    }

    /// Where a point of the panel (mm) is seen in the photo; `None` on or behind the camera's
    /// plane.
    pub fn point_in_photo(&self, x: f64, y: f64) -> Option<[f64; 2]> {
        match &self.camera {
            Some(camera) => camera.point_in_photo(x, y),
            None => apply(&self.photo_from_panel, x, y),
        }
    }

    /// Which point of the panel (mm) is seen at a place in the photo; `None` on the horizon, or
    /// where a bent panel is not seen. The inverse of
    /// [`Placement::point_in_photo`], to a thousandth of a mm.
    pub fn point_on_panel(&self, column: f64, row: f64) -> Option<[f64; 2]> {
        let mut p = apply(&self.panel_from_photo, column, row)?;
        let Some(camera) = &self.camera else {
            return Some(p);
        };
        for _ in 0..MOST_STEPS {
            let seen = camera.point_in_photo(p[0], p[1])?;
            let scale = solve::local_scale(camera, p)?.try_inverse()?;
            let step = scale * nalgebra::Vector2::new(column - seen[0], row - seen[1]);
            let length = step.norm();
            if !length.is_finite() {
                return None;
            }
            p = [p[0] + step[0], p[1] + step[1]];
            if length < CLOSE_MM {
                return Some(p);
            }
        }
        None
    }
}

fn rows_of(m: &Matrix3<f64>) -> [[f64; 3]; 3] {
    [0, 1, 2].map(|r| [0, 1, 2].map(|c| m[(r, c)]))
}

fn apply(h: &[[f64; 3]; 3], x: f64, y: f64) -> Option<[f64; 2]> {
    homography::apply(&Matrix3::from_fn(|r, c| h[r][c]), [x, y])
}
