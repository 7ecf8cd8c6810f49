//! Where the panel lies in a photo.
//!
//! Points in the photo are (column, row) in pixels of the upright picture (EXIF orientation applied), from the top left corner: the
//! middle of the first pixel is (0.5, 0.5).

/// The map between panel and photo.
#[derive(Clone, Debug, PartialEq)]
pub struct Placement {
    /// Homography, photo from panel: (u, v, w) = H·(x, y, 1), x and y in mm, column u/w and row v/w.
    pub photo_from_panel: [[f64; 3]; 3],
    /// Its inverse.
    pub panel_from_photo: [[f64; 3]; 3],
}

impl Placement {
    /// From a homography photo-from-panel; `None` when it has no inverse.
    pub fn from_homography(photo_from_panel: [[f64; 3]; 3]) -> Option<Self> {
        let h = nalgebra::Matrix3::from_fn(|r, c| photo_from_panel[r][c]);
        let inverse = h.try_inverse()?;
        let mut panel_from_photo = [[0.0; 3]; 3];
        for (r, row) in panel_from_photo.iter_mut().enumerate() {
            for (c, v) in row.iter_mut().enumerate() {
                *v = inverse[(r, c)];
            }
        }
        Some(Placement {
            photo_from_panel,
            panel_from_photo,
        })
    }

    /// Where a point of the panel (mm) is seen in the photo; `None` on or behind the camera's plane.
    pub fn point_in_photo(&self, x: f64, y: f64) -> Option<[f64; 2]> {
        apply(&self.photo_from_panel, x, y)
    }

    /// Which point of the panel (mm) is seen at a place in the photo; `None` on the horizon.
    pub fn point_on_panel(&self, column: f64, row: f64) -> Option<[f64; 2]> {
        apply(&self.panel_from_photo, column, row)
    }
}

fn apply(h: &[[f64; 3]; 3], x: f64, y: f64) -> Option<[f64; 2]> {
    let part = |row: &[f64; 3]| row[0] * x + row[1] * y + row[2];
    let w = part(&h[2]);
    (w.abs() > 1e-12).then(|| [part(&h[0]) / w, part(&h[1]) / w])
}
