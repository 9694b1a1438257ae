//! New colours in the text of a shelf: only they change, comments, order and everything else stay as the owner wrote them.

use crate::equipment::{Colour, Filament};

use super::equipment_files::Workbench;

/// The text with the colour of some filaments, by their number on the shelf, replaced by sRGB; `None` when it is written in
/// a way that cannot be changed line by line, such as a list in brackets.
#[must_use]
pub fn with_colours(text: &str, changes: &[(usize, String)]) -> Option<String> {
    let mut shelf = Workbench::shelf("shelf", text).ok()?;
    let mut lines: Vec<String> = text.split_inclusive('\n').map(str::to_owned).collect();
    for (filament, hex) in changes {
        let line = colour_line(&lines, *filament)?;
        lines[line] = with_value(&lines[line], hex)?;
        shelf.get_mut(*filament)?.colour = Colour::Srgb(hex.clone());
    }
    let changed: String = lines.concat();
    // The reader has the last word on what the text says now.
    let read: Vec<Filament> = Workbench::shelf("shelf", &changed).ok()?;
    (read == shelf).then_some(changed)
}

/// The line with the colour of the list's n-th entry.
fn colour_line(lines: &[String], entry: usize) -> Option<usize> {
    let starts_entry = |line: &str| line.trim_start().starts_with("- ");
    let indent = |line: &str| line.len() - line.trim_start().len();
    let outer = lines.iter().find(|line| starts_entry(line)).map(|line| indent(line))?;
    let mut starts = lines.iter().enumerate().filter(|(_, line)| starts_entry(line) && indent(line) == outer);
    let start = starts.nth(entry)?.0;
    let end = starts.next().map_or(lines.len(), |(next, _)| next);
    let is_colour = |line: &str| line.trim_start().trim_start_matches("- ").trim_start().starts_with("colour:");
    (start..end).find(|i| is_colour(&lines[*i]))
}

/// The line with another value; what stands before it, a comment after it and the line's end stay.
fn with_value(line: &str, hex: &str) -> Option<String> {
    let (key, rest) = line.split_once("colour:")?;
    let ending = &rest[rest.trim_end_matches(['\r', '\n']).len()..];
    let value = rest.trim_end_matches(['\r', '\n']);
    let comment = comment_start(value).map_or("", |at| &value[at..]);
    Some(format!("{key}colour: \"{hex}\"{comment}{ending}"))
}

/// Where a comment begins, with the blanks before it: a number sign after a blank, outside quotes.
fn comment_start(value: &str) -> Option<usize> {
    let mut quote = None;
    let mut before = ' ';
    for (at, c) in value.char_indices() {
        let is_quote = c == '"' || c == '\'';
        let is_comment = c == '#' && before.is_whitespace() && !value[..at].trim().is_empty();
        match quote {
            None if is_quote => quote = Some(c),
            None if is_comment => return Some(value[..at].trim_end().len()),
            Some(open) if c == open => quote = None,
            _ => {}
        }
        before = c;
    }
    None
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
