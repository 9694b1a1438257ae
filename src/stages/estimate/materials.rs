//! Whether the filaments of a part can be printed together on this printer, and whether the spools last.

use crate::equipment::{Changer, Filament, Printer, WindowC};
use crate::finding::{Finding, Severity};

/// What speaks against printing these filaments in one part, one finding per reason, with the spool to change.
#[must_use]
pub fn clashes(filaments: &[&Filament], printer: &Printer) -> Vec<Finding> {
    let reasons = reasons(filaments, printer);
    let finding = |reason: &Reason| {
        let what = match reason {
            Reason::Families(families) => {
                format!("materials {} do not bond in one part ({})", families.join(" and "), names(filaments))
            }
            Reason::Apart(place, names, [low, high]) => {
                format!("no {place} temperature suits {names}: one needs at least {low} C, one at most {high} C")
            }
            Reason::TooHot(place, names, low, reach_c) => {
                format!("{names} need at least {low} C at the {place}, the printer reaches {reach_c} C")
            }
        };
        Finding::new(Severity::Fault, what).hint(remedy(reason, filaments, printer))
    };
    reasons.iter().map(finding).collect()
}

/// Why filaments cannot be printed together.
#[derive(Clone, Debug, PartialEq)]
enum Reason {
    Families(Vec<String>),
    /// Bed or nozzle, the filaments, and what one needs at least and one bears at most, degrees Celsius.
    Apart(&'static str, String, WindowC),
    /// Bed or nozzle, the filaments, what they need at least and what the printer reaches, degrees Celsius.
    TooHot(&'static str, String, f64, f64),
}

impl Reason {
    fn is_like(&self, other: &Self) -> bool {
        match (self, other) {
            (Self::Families(_), Self::Families(_)) => true,
            (Self::Apart(a, ..) | Self::TooHot(a, ..), Self::Apart(b, ..) | Self::TooHot(b, ..)) => a == b,
            _ => false,
        }
    }
}

fn names(filaments: &[&Filament]) -> String {
    filaments.iter().map(|filament| filament.name.as_str()).collect::<Vec<_>>().join(", ")
}

fn reasons(filaments: &[&Filament], printer: &Printer) -> Vec<Reason> {
    let mut families: Vec<String> = filaments.iter().map(|filament| filament.material.clone()).collect();
    families.sort_unstable();
    families.dedup();
    let mut reasons = Vec::new();
    if families.len() > 1 {
        reasons.push(Reason::Families(families));
    }
    let bed = common(filaments.iter().map(|f| f.bed_c));
    reasons.extend(window_fault("bed", bed, printer.bed_max_c, &names(filaments)));
    match printer.changer {
        Changer::Shared => {
            let nozzle = common(filaments.iter().map(|f| f.nozzle_c));
            reasons.extend(window_fault("nozzle", nozzle, printer.nozzle_max_c, &names(filaments)));
        }
        Changer::Heads => {
            let each = |f: &&Filament| window_fault("nozzle", f.nozzle_c, printer.nozzle_max_c, &f.name);
            reasons.extend(filaments.iter().filter_map(each));
        }
    }
    reasons
}

/// The one spool that has to be another, where one alone is in the way.
fn remedy(reason: &Reason, filaments: &[&Filament], printer: &Printer) -> String {
    let without = |left_out: usize| -> Vec<&Filament> {
        filaments.iter().enumerate().filter(|(i, _)| *i != left_out).map(|(_, filament)| *filament).collect()
    };
    let helps = |i: &usize| !reasons(&without(*i), printer).iter().any(|other| other.is_like(reason));
    let culprits: Vec<&str> = (0..filaments.len()).filter(helps).map(|i| filaments[i].name.as_str()).collect();
    match culprits[..] {
        [only] if filaments.len() > 1 => format!("change the spool of `{only}`: the others go together"),
        [one, two] if filaments.len() == 2 => format!("change the spool of `{one}` or of `{two}`"),
        _ => match reason {
            Reason::Families(_) => "choose filaments of one material for this part".to_owned(),
            Reason::Apart(..) => "choose filaments whose temperature windows overlap".to_owned(),
            Reason::TooHot(..) => "choose other filaments or another printer".to_owned(),
        },
    }
}

/// Temperatures that lie in all windows; low above high when there are none.
fn common(windows: impl Iterator<Item = WindowC>) -> WindowC {
    windows.fold([f64::NEG_INFINITY, f64::INFINITY], |all, w| [all[0].max(w[0]), all[1].min(w[1])])
}

fn window_fault(place: &'static str, window: WindowC, reach_c: f64, names: &str) -> Option<Reason> {
    let [low, high] = window;
    if low > high {
        return Some(Reason::Apart(place, names.to_owned(), window));
    }
    (low > reach_c).then(|| Reason::TooHot(place, names.to_owned(), low, reach_c))
}

/// What one filament has to give, purge and support included, g.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Need {
    pub all_g: f64,
    /// The most that one part takes.
    pub most_in_part_g: f64,
}

/// Whether the spool lasts: a warning, with how much is missing and whether it runs dry within one part.
#[must_use]
pub fn spool(filament: &Filament, need: Need) -> Option<Finding> {
    if need.all_g <= filament.left_g {
        return None;
    }
    let what = format!("{}: {:.0} g needed, {:.0} g left", filament.name, need.all_g.ceil(), filament.left_g.floor());
    let missing_g = need.all_g - filament.left_g;
    let hint = if need.most_in_part_g > filament.left_g {
        format!("get {missing_g:.0} g more before printing: the spool runs dry within a part")
    } else {
        format!("get {missing_g:.0} g more; every single part can be printed with what is left")
    };
    Some(Finding::new(Severity::Warning, what).hint(hint))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn filament(material: &str, nozzle_c: WindowC, bed_c: WindowC) -> Filament {
        Filament {
            name: format!("Harbour {material}"),
            material: material.into(),
            colour: "#203040".into(),
            nozzle_c,
            bed_c,
            density_g_per_cm3: 1.24,
            left_g: 300.0,
            opaque_mm: 2.0,
            price_per_kg: 0.0,
        }
    }

    fn printer(changer: Changer) -> Printer {
        Printer {
            name: "slipway".into(),
            volume_mm: [250.0; 3],
            tools: 5,
            changer,
            nozzle_mm: 0.4,
            layer_mm: 0.2,
            change_secs: 12.0,
            change_g: 0.1,
            nozzle_max_c: 280.0,
            bed_max_c: 100.0,
            flow_mm3_per_sec: 12.0,
            time_factor: 1.0,
            cost_per_hour: 0.0,
            purge_tower: None,
        }
    }

    /// Windows as workshop tables give them: PLA and PETG share 220 C and a bed of 60 C, ABS and TPU no bed.
    #[test]
    fn windows_that_do_not_meet_are_a_fault() {
        let pla = filament("PLA", [190.0, 220.0], [20.0, 60.0]);
        let petg = filament("PETG", [220.0, 250.0], [60.0, 90.0]);
        let abs = filament("ABS", [230.0, 260.0], [90.0, 110.0]);
        let told = |list: &[&Filament], changer| -> Vec<String> {
            clashes(list, &printer(changer)).into_iter().map(|f| f.what).collect()
        };
        assert!(told(&[&pla, &pla], Changer::Shared).is_empty());
        let mixed = told(&[&pla, &petg], Changer::Shared);
        assert!(mixed.len() == 1 && mixed[0].starts_with("materials PETG and PLA"), "{mixed:?}");
        let hot = told(&[&pla, &abs], Changer::Shared);
        assert!(hot.len() == 3 && hot[1].starts_with("no bed") && hot[2].starts_with("no nozzle"), "{hot:?}");
        assert_eq!(told(&[&pla, &abs], Changer::Heads).len(), 2);
    }

    #[test]
    fn the_spool_to_change_is_named_where_one_is_in_the_way() {
        let pla = filament("PLA", [190.0, 220.0], [20.0, 60.0]);
        let white = Filament { name: "Sail White".into(), ..pla.clone() };
        let abs = filament("ABS", [230.0, 260.0], [90.0, 110.0]);
        let hints = |list: &[&Filament]| -> Vec<String> {
            clashes(list, &printer(Changer::Shared)).into_iter().map(|f| f.hint).collect()
        };
        assert_eq!(hints(&[&pla, &white, &abs]), vec!["change the spool of `Harbour ABS`: the others go together"; 3]);
        assert_eq!(hints(&[&pla, &abs])[0], "change the spool of `Harbour PLA` or of `Harbour ABS`");
        let hot = filament("PA", [290.0, 310.0], [60.0, 90.0]);
        assert_eq!(hints(&[&hot]), ["choose other filaments or another printer"]);
    }

    #[test]
    fn a_filament_beyond_the_printer_is_a_fault() {
        let hot = filament("PA", [290.0, 310.0], [60.0, 90.0]);
        assert!(clashes(&[&hot], &printer(Changer::Heads))[0].what.contains("the printer reaches 280 C"));
    }

    #[test]
    fn a_spool_that_runs_dry_is_told() {
        let navy = filament("PLA", [190.0, 220.0], [20.0, 60.0]);
        let told = |all_g, most_in_part_g| spool(&navy, Need { all_g, most_in_part_g });
        assert_eq!(told(300.0, 300.0), None);
        assert_eq!(told(412.0, 200.0).map(|f| f.severity), Some(Severity::Warning));
        let dry = told(412.0, 310.0).unwrap();
        assert!(dry.hint.contains("within a part"), "{}", dry.hint);
        assert_eq!((dry.severity, dry.what.as_str()), (Severity::Warning, "Harbour PLA: 412 g needed, 300 g left"));
    }
}
