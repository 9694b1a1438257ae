//! Whether two machines compute alike. The same version of the program is not enough: sines, powers and logarithms come from
//! the system's mathematical library, whose last bit may differ between its versions and between processors.

use serde::{Deserialize, Serialize};

/// What results depend on besides their inputs.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Likeness {
    pub version: String,
    /// BLAKE3 of function values at some thousand places.
    pub arithmetic: String,
}

/// Places at which each function is taken.
const PLACES: u32 = 4000;

impl Likeness {
    /// Of this program on this machine.
    #[must_use]
    pub fn own() -> Self {
        Self { version: env!("CARGO_PKG_VERSION").to_owned(), arithmetic: arithmetic() }
    }

    /// What differs from the other, which is ours, in words; `None` when nothing does.
    #[must_use]
    pub fn difference(&self, other: &Self) -> Option<String> {
        if self.version != other.version {
            return Some(format!("version {} there, {} here", self.version, other.version));
        }
        let words = "the same version, but its mathematical library or processor rounds otherwise";
        (self.arithmetic != other.arithmetic).then(|| words.to_owned())
    }
}

fn arithmetic() -> String {
    const WIDE: [fn(f64) -> f64; 12] = [
        f64::sin,
        f64::cos,
        f64::tan,
        f64::atan,
        f64::exp,
        f64::ln,
        f64::cbrt,
        f64::log10,
        f64::sqrt,
        |x| x.powf(0.416_666_7),
        |x| x.powf(2.4),
        |x| (1.0 / (1.0 + x)).acos().atan2(x).hypot(x),
    ];
    const NARROW: [fn(f32) -> f32; 7] =
        [f32::sin, f32::cos, f32::exp, f32::ln, f32::cbrt, |x| x.powf(2.4), |x| x.mul_add(x, 1.0 / x).atan2(x)];
    let mut sum = blake3::Hasher::new();
    for place in 1..=PLACES {
        // Steps of no simple fraction, from 0.002 to 8, as angles, colours and lengths are.
        let x = std::hint::black_box(f64::from(place) * 0.002_017_3);
        for function in WIDE {
            sum.update(&function(x).to_bits().to_le_bytes());
        }
        for function in NARROW {
            sum.update(&function(x as f32).to_bits().to_le_bytes());
        }
    }
    sum.finalize().to_hex().to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_machine_is_like_itself_and_tells_what_differs() {
        let own = Likeness::own();
        assert_eq!(own.difference(&Likeness::own()), None);
        let other = Likeness { version: "9.9.9".into(), ..own.clone() };
        assert_eq!(own.difference(&other).unwrap(), format!("version {} there, 9.9.9 here", own.version));
        let other = Likeness { arithmetic: "0".into(), ..own.clone() };
        assert!(own.difference(&other).unwrap().contains("rounds otherwise"));
    }
}
