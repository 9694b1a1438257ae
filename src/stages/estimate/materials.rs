//! Whether the filaments of a part can be printed together on this printer, and whether the spools last.

use crate::equipment::{Changer, Filament, Printer, WindowC};
use crate::finding::{Finding, Severity};

/// What speaks against printing these filaments in one part, one finding per reason.
#[must_use]
pub fn clashes(filaments: &[&Filament], printer: &Printer) -> Vec<Finding> {
    let mut findings = Vec::new();
    let names = filaments.iter().map(|f| f.name.as_str()).collect::<Vec<_>>().join(", ");
    let mut families: Vec<&str> = filaments.iter().map(|f| f.material.as_str()).collect();
    families.sort_unstable();
    families.dedup();
    if families.len() > 1 {
        let what = format!("materials {} do not bond in one part ({names})", families.join(" and "));
        findings.push(Finding::new(Severity::Fault, what).hint("choose filaments of one material for this part"));
    }
    let bed = common(filaments.iter().map(|f| f.bed_c));
    findings.extend(window_fault("bed", bed, printer.bed_max_c, &names));
    match printer.changer {
        Changer::Shared => {
            let nozzle = common(filaments.iter().map(|f| f.nozzle_c));
            findings.extend(window_fault("nozzle", nozzle, printer.nozzle_max_c, &names));
        }
        Changer::Heads => {
            let each = |f: &&Filament| window_fault("nozzle", f.nozzle_c, printer.nozzle_max_c, &f.name);
            findings.extend(filaments.iter().filter_map(each));
        }
    }
    findings
}

/// Temperatures that lie in all windows; low above high when there are none.
fn common(windows: impl Iterator<Item = WindowC>) -> WindowC {
    windows.fold([f64::NEG_INFINITY, f64::INFINITY], |all, w| [all[0].max(w[0]), all[1].min(w[1])])
}

fn window_fault(place: &str, window: WindowC, reach_c: f64, names: &str) -> Option<Finding> {
    let [low, high] = window;
    if low > high {
        let what = format!("no {place} temperature suits {names}: one needs at least {low} C, one at most {high} C");
        return Some(Finding::new(Severity::Fault, what).hint("choose filaments whose temperature windows overlap"));
    }
    (low > reach_c).then(|| {
        let what = format!("{names} need at least {low} C at the {place}, the printer reaches {reach_c} C");
        Finding::new(Severity::Fault, what).hint("choose other filaments or another printer")
    })
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
