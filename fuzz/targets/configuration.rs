#![no_main]

use libfuzzer_sys::fuzz_target;
use statuary::pipeline::equipment_files::Workbench;
use statuary::pipeline::plan::plan;
use statuary::pipeline::spec::read_spec;

// One text read as each of the files an owner writes; what can be read as a pipeline is planned.
fuzz_target!(|bytes: &[u8]| {
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    let _ = Workbench::shelf("filaments.yaml", text);
    let _ = Workbench::printers("printers.yaml", text);
    if let (Ok(spec), Ok(bench)) = (read_spec("fuzz", "fuzz.yaml", text), Workbench::demo()) {
        let _ = plan(&spec, &bench);
    }
});
