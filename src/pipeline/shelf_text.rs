//! New colours in the text of a shelf: only they change, comments, order and everything else stay as the owner wrote them.

use crate::equipment::{Colour, Filament};

use super::equipment_files::Workbench;
use super::list_text::with_value;

/// The text with the colour of some filaments, by their number on the shelf, replaced by sRGB; `None` when it is written in
/// a way that cannot be changed line by line, such as a list in brackets.
#[must_use]
pub fn with_colours(text: &str, changes: &[(usize, String)]) -> Option<String> {
    let mut shelf = Workbench::shelf("shelf", text).ok()?;
    let mut changed = text.to_owned();
    for (filament, hex) in changes {
        changed = with_value(&changed, *filament, "colour", &format!("\"{hex}\""))?;
        shelf.get_mut(*filament)?.colour = Colour::Srgb(hex.clone());
    }
    // The reader has the last word on what the text says now.
    let read: Vec<Filament> = Workbench::shelf("shelf", &changed).ok()?;
    (read == shelf).then_some(changed)
}

#[cfg(test)]
mod tests {
    use super::*;

    const SHELF: &str = "\
# Our shelf: measured in spring.
- name: Sail White   # the big spool
  material: PLA
  colour: \"#E9E8E2\"  # by the window
  nozzle_c: [195, 220]
  bed_c: [20, 60]
  density_g_per_cm3: 1.24
  left_g: 1860

- colour: {lab: [30.1, 5, -20.5], white: D50} # by the meter
  name: Harbour Blue
  material: PLA
  nozzle_c: [195, 220]
  bed_c: [20, 60]
  density_g_per_cm3: 1.24
  left_g: 10
";

    #[test]
    fn only_the_colours_change() {
        let changed = with_colours(SHELF, &[(1, "#102030".into()), (0, "#FFFFF0".into())]).unwrap();
        let mut wanted = SHELF.replace("\"#E9E8E2\"  # by", "\"#FFFFF0\"  # by");
        wanted = wanted.replace("{lab: [30.1, 5, -20.5], white: D50} # by", "\"#102030\" # by");
        assert_eq!(changed, wanted);
        let crlf = SHELF.replace('\n', "\r\n");
        assert_eq!(with_colours(&crlf, &[(0, "#E9E8E2".into())]).unwrap(), crlf);
    }

    #[test]
    fn what_cannot_be_changed_line_by_line_is_left() {
        let block = SHELF.replace(
            "{lab: [30.1, 5, -20.5], white: D50} # by the meter",
            "\n    lab: [30.1, 5, -20.5]\n    white: D50",
        );
        assert!(Workbench::shelf("shelf", &block).is_ok());
        assert_eq!(with_colours(&block, &[(1, "#102030".into())]), None);
        let brackets = "[{name: a, material: PLA, colour: \"#102030\", nozzle_c: [1, 2], bed_c: [1, 2], \
                        density_g_per_cm3: 1.24, left_g: 1}]\n";
        assert!(Workbench::shelf("shelf", brackets).is_ok());
        assert_eq!(with_colours(brackets, &[(0, "#FFFFFF".into())]), None);
        assert_eq!(with_colours(SHELF, &[(2, "#FFFFFF".into())]), None);
    }
}
