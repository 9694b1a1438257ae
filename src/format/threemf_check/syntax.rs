//! The small languages inside attributes: numbers, ids, colours, matrices. Each gives `None` for what is not written
//! as the schema wants it.

use std::collections::BTreeMap;

use quick_xml::XmlVersion;
use quick_xml::events::BytesStart;

use super::Faults;

/// Ids and indices stay below this.
const INDEX_END: u64 = 1 << 31;

/// Attributes by name, entities resolved; a repeated or malformed attribute is a fault.
pub fn attributes(element: &BytesStart<'_>, faults: &mut Faults) -> BTreeMap<String, String> {
    let mut found = BTreeMap::new();
    for attribute in element.attributes() {
        let value =
            attribute.map_err(|e| e.to_string()).and_then(|a| match a.normalized_value(XmlVersion::Implicit1_0) {
                Ok(value) => Ok((a.key.0.to_owned(), value.into_owned())),
                Err(e) => Err(e.to_string()),
            });
        match value {
            Ok((name, value)) => drop(found.insert(name, value)),
            Err(error) => faults.add(format!("an attribute of <{}> is malformed: {error}", element.name().0)),
        }
    }
    found
}

/// A number as the schema's pattern wants it: digits, decimal point, exponent; no NaN, no infinity, no bare point.
pub fn number(text: &str) -> Option<f64> {
    let unsigned = text.strip_prefix(['-', '+']).unwrap_or(text);
    let (mantissa, exponent) = match unsigned.split_once(['e', 'E']) {
        Some((mantissa, exponent)) => (mantissa, Some(exponent)),
        None => (unsigned, None),
    };
    let (whole, fraction) = match mantissa.split_once('.') {
        Some((whole, fraction)) => (whole, Some(fraction)),
        None => (mantissa, None),
    };
    let digits = |s: &str| !s.is_empty() && s.bytes().all(|b| b.is_ascii_digit());
    let whole_is_good = digits(whole) || (whole.is_empty() && fraction.is_some());
    let exponent_is_good = exponent.is_none_or(|e| digits(e.strip_prefix(['-', '+']).unwrap_or(e)));
    if !(whole_is_good && fraction.is_none_or(digits) && exponent_is_good) {
        return None;
    }
    text.parse().ok().filter(|value: &f64| value.is_finite())
}

/// An index: 0 or more, below 2^31.
pub fn index(text: &str) -> Option<u32> {
    if text.is_empty() || text.len() > 10 || !text.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    text.parse::<u64>().ok().filter(|value| *value < INDEX_END).map(|value| value as u32)
}

/// A resource id: 1 or more, below 2^31.
pub fn id(text: &str) -> Option<u32> {
    index(text).filter(|value| *value > 0)
}

/// `#RRGGBB` or `#RRGGBBAA`.
pub fn colour(text: &str) -> Option<[u8; 3]> {
    let digits = text.strip_prefix('#')?;
    if !matches!(digits.len(), 6 | 8) || !digits.bytes().all(|b| b.is_ascii_hexdigit()) {
        return None;
    }
    let byte = |i: usize| u8::from_str_radix(&digits[i..i + 2], 16).ok();
    Some([byte(0)?, byte(2)?, byte(4)?])
}

/// Twelve numbers of a matrix that can be inverted, row by row, for row vectors.
pub fn transform(text: &str) -> Option<[f64; 12]> {
    let numbers: Vec<f64> = text.split_ascii_whitespace().map(number).collect::<Option<_>>()?;
    let matrix: [f64; 12] = numbers.try_into().ok()?;
    let [a, b, c, d, e, f, g, h, i, ..] = matrix;
    let determinant = a * (e * i - f * h) - b * (d * i - f * g) + c * (d * h - e * g);
    (determinant != 0.0).then_some(matrix)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_follow_the_schema_pattern() {
        for good in ["0", "-1.5", "+2", ".5", "1e3", "1.25E-4"] {
            assert!(number(good).is_some(), "{good}");
        }
        for bad in ["", "-", ".", "1.", "NaN", "INF", "inf", "1,5", "1e", "0x1", " 1", "1_0", "1e999", "--1"] {
            assert!(number(bad).is_none(), "{bad}");
        }
    }

    #[test]
    fn ids_and_indices_stay_below_two_to_the_31st() {
        assert_eq!(index("2147483647"), Some(2_147_483_647));
        assert_eq!(index("2147483648"), None);
        assert_eq!((id("0"), id("1"), index("-1"), index("")), (None, Some(1), None, None));
    }

    #[test]
    fn a_singular_matrix_is_no_transform() {
        assert!(transform("1 0 0 0 1 0 0 0 1 5 6 7").is_some());
        assert!(transform("1 0 0 0 1 0 0 0 0 5 6 7").is_none());
        assert!(transform("1 0 0 0 1 0 0 0 1 5 6").is_none());
    }
}
