//! A value in the text of a list of things, such as the printers: only it changes, comments, order and everything else stay as the
//! owner wrote them.

/// The text with `key` of the list's n-th entry set; a key that is not there gets a line at the entry's end. `None` when the text
/// is written in a way that cannot be changed line by line, such as a list in brackets.
#[must_use]
pub fn with_value(text: &str, entry: usize, key: &str, value: &str) -> Option<String> {
    let mut lines: Vec<String> = text.split_inclusive('\n').map(str::to_owned).collect();
    let (start, end) = span(&lines, entry)?;
    let found = (start..end).find(|line| key_of(&lines[*line]) == Some(key));
    if let Some(line) = found {
        lines[line] = replaced(&lines[line], key, value)?;
    } else {
        let last = (start..end).rev().find(|line| !is_blank(&lines[*line]))?;
        let ending = if lines[last].ends_with("\r\n") { "\r\n" } else { "\n" };
        if !lines[last].ends_with('\n') {
            lines[last].push_str(ending);
        }
        let indent = key_indent(&lines[start]);
        lines.insert(last + 1, format!("{}{key}: {value}{ending}", " ".repeat(indent)));
    }
    Some(lines.concat())
}

/// First line of an entry and the line after its last.
fn span(lines: &[String], entry: usize) -> Option<(usize, usize)> {
    let starts_entry = |line: &str| line.trim_start().starts_with("- ");
    let indent = |line: &str| line.len() - line.trim_start().len();
    let outer = lines.iter().find(|line| starts_entry(line)).map(|line| indent(line))?;
    let mut starts = lines.iter().enumerate().filter(|(_, line)| starts_entry(line) && indent(line) == outer);
    let start = starts.nth(entry)?.0;
    Some((start, starts.next().map_or(lines.len(), |(next, _)| next)))
}

/// Columns before the first key of an entry.
fn key_indent(line: &str) -> usize {
    line.len() - line.trim_start().trim_start_matches("- ").trim_start().len()
}

fn is_blank(line: &str) -> bool {
    let text = line.trim();
    text.is_empty() || text.starts_with('#')
}

/// The key a line gives a value to.
fn key_of(line: &str) -> Option<&str> {
    let text = line.trim_start().trim_start_matches("- ").trim_start();
    text.split_once(':').map(|(key, _)| key)
}

/// The line with another value; what stands before it, a comment after it and the line's end stay.
fn replaced(line: &str, key: &str, value: &str) -> Option<String> {
    let (before, rest) = line.split_once(&format!("{key}:"))?;
    let ending = &rest[rest.trim_end_matches(['\r', '\n']).len()..];
    let old = rest.trim_end_matches(['\r', '\n']);
    let comment = comment_start(old).map_or("", |at| &old[at..]);
    Some(format!("{before}{key}: {value}{comment}{ending}"))
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

    const PRINTERS: &str = "\
# Both stand by the window.
- name: Longshore   # the large one
  change_secs: 12  # measured
  nozzle_mm: 0.4

# The small one.
- nozzle_mm: 0.6
  name: Skerry
";

    #[test]
    fn only_the_value_changes() {
        let changed = with_value(PRINTERS, 0, "change_secs", "14.5").unwrap();
        assert_eq!(changed, PRINTERS.replace("12  # measured", "14.5  # measured"));
        let first = with_value(PRINTERS, 1, "nozzle_mm", "0.8").unwrap();
        assert_eq!(first, PRINTERS.replace("- nozzle_mm: 0.6", "- nozzle_mm: 0.8"));
    }

    #[test]
    fn a_new_key_goes_to_the_end_of_its_entry() {
        let changed = with_value(PRINTERS, 0, "time_factor", "1.1").unwrap();
        assert_eq!(changed, PRINTERS.replace("nozzle_mm: 0.4\n", "nozzle_mm: 0.4\n  time_factor: 1.1\n"));
        let bare = PRINTERS.trim_end();
        assert_eq!(with_value(bare, 1, "time_factor", "2").unwrap(), format!("{bare}\n  time_factor: 2\n"));
    }

    #[test]
    fn a_list_in_brackets_is_left() {
        assert_eq!(with_value("[{name: Skerry}]\n", 0, "time_factor", "1"), None);
        assert_eq!(with_value(PRINTERS, 2, "time_factor", "1"), None);
    }
}
