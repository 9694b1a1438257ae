//! 3MF files: what is written reads back the same and breaks no rule; each rule, broken once, is noticed.

use std::io::{Cursor, Write};

use statuary::format::threemf::{self, ColouredObject};
use statuary::format::threemf_check::check;
use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, ZipWriter};

const TYPES: &str = r#"<?xml version="1.0" encoding="UTF-8"?>
<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">
<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>
<Default Extension="model" ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel+xml"/>
</Types>"#;

const RELATIONS: &str = r#"<?xml version="1.0" encoding="UTF-8"?>
<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">
<Relationship Id="a" Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel" Target="/3D/3dmodel.model"/>
</Relationships>"#;

/// A tetrahedron in two colours, with everything the checker knows of.
const MODEL: &str = r##"<?xml version="1.0" encoding="UTF-8"?>
<model unit="millimeter" xml:lang="en" xmlns="http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
 xmlns:m="http://schemas.microsoft.com/3dmanufacturing/material/2015/02" xmlns:v="urn:ferry" requiredextensions="m">
<metadata name="Title">ferry &amp; crew</metadata><metadata name="v:berth">4</metadata>
<resources>
<basematerials id="1"><base name="sand" displaycolor="#E8BEAC"/><base name="ink" displaycolor="#202020FF"/></basematerials>
<m:colorgroup id="2"><m:color color="#E8BEAC"/><m:color color="#202020"/></m:colorgroup>
<object id="3" type="model" name="deckhand" pid="2" pindex="0"><mesh>
<vertices><vertex x="0" y="0" z="0"/><vertex x="10" y="0" z="0"/><vertex x="0" y="1e1" z="0"/><vertex x="0" y="0" z="10"/></vertices>
<triangles><triangle v1="0" v2="2" v3="1" pid="2" p1="1"/><triangle v1="0" v2="1" v3="3" p1="0"/>
<triangle v1="1" v2="2" v3="3"/><triangle v1="0" v2="3" v3="2" pid="2" p1="1" p2="1" p3="1"/></triangles>
</mesh></object>
<v:note><v:inner/></v:note>
</resources>
<build><item objectid="3" transform="1 0 0 0 1 0 0 0 1 5 5 0"/></build>
</model>"##;

fn package(parts: &[(&str, &str)]) -> Vec<u8> {
    let mut zip = ZipWriter::new(Cursor::new(Vec::new()));
    for (name, text) in parts {
        zip.start_file(*name, SimpleFileOptions::default()).unwrap();
        zip.write_all(text.as_bytes()).unwrap();
    }
    zip.finish().unwrap().into_inner()
}

fn faults(types: &str, relations: &str, model: &str) -> Vec<String> {
    check(&package(&[("[Content_Types].xml", types), ("_rels/.rels", relations), ("3D/3dmodel.model", model)])).faults
}

/// Every rule of the model part: text to break, what it becomes, and words of the fault.
const BROKEN_MODELS: &[(&str, &str, &str)] = &[
    ("?>\n<model", "?><!DOCTYPE model>\n<model", "document type"),
    ("encoding=\"UTF-8\"", "encoding=\"ISO-8859-1\"", "expected UTF-8"),
    ("xml:lang=\"en\"", "xml:space=\"preserve\"", "xml:space"),
    ("core/2015/02", "core/2099/02", "the root is <model>"),
    ("<model unit", "<modell unit", "not well-formed"),
    ("</build>\n</model>", "</build>", "ends before its elements are closed"),
    ("unit=\"millimeter\"", "unit=\"mm\"", "the unit is `mm`"),
    ("unit=\"millimeter\"", "unit=\"millimeter\" scale=\"2\"", "unknown attribute `scale`"),
    ("requiredextensions=\"m\"", "requiredextensions=\"m v\"", "`urn:ferry` is required"),
    ("requiredextensions=\"m\"", "requiredextensions=\"q\"", "`q` is not declared"),
    ("name=\"Title\"", "name=\"Captain\"", "metadata name `Captain`"),
    ("name=\"v:berth\"", "name=\"w:berth\"", "metadata name `w:berth`"),
    ("name=\"v:berth\"", "name=\"Title\"", "`Title` is given twice"),
    ("<metadata name=\"Title\">", "<metadata>", "<metadata> lacks the attribute `name`"),
    ("<resources>", "<resources>loose", "loose text"),
    ("<resources>", "<resources><hull/>", "<hull> may not stand"),
    ("<v:note>", "<w:note>", "not well-formed"),
    ("<v:inner/>", "<w:inner/>", "<w:inner> is in no namespace"),
    ("basematerials id=\"1\"", "basematerials id=\"0\"", "the id `0`"),
    ("basematerials id=\"1\"", "basematerials id=\"2147483648\"", "the id `2147483648`"),
    ("basematerials id=\"1\"", "basematerials", "lacks the attribute `id`"),
    ("basematerials id=\"1\"", "basematerials id=\"2\"", "two resources have the id 2"),
    ("<base name=\"ink\" ", "<base ", "<base> lacks the attribute `name`"),
    ("color=\"#202020\"", "color=\"202020\"", "not written #RRGGBB"),
    ("<m:color color=\"#E8BEAC\"/><m:color color=\"#202020\"/>", "", "property group 2 is empty"),
    ("type=\"model\"", "type=\"figure\"", "unknown type `figure`"),
    ("type=\"model\"", "type=\"other\"", "may not be built"),
    ("pid=\"2\" pindex=\"0\"", "pid=\"2\"", "a pid but no pindex"),
    ("pid=\"2\" pindex=\"0\"", "pindex=\"0\"", "a pindex but no pid"),
    ("pid=\"2\" pindex=\"0\"", "", "no default property"),
    ("pid=\"2\" pindex=\"0\"", "pid=\"2\" pindex=\"2\"", "pindex 2 of object 3 is out of range"),
    ("pid=\"2\" pindex=\"0\"", "pid=\"9\" pindex=\"0\"", "property group 9, which is not defined before"),
    ("pid=\"2\" pindex=\"0\"", "pid=\"2\" pindex=\"x\"", "default property `x`"),
    ("<mesh>\n", "<components/><mesh>\n", "1 meshes and 1 component lists"),
    ("<vertices>", "<vertices/><vertices>", "one list of vertices"),
    ("y=\"1e1\"", "y=\"NaN\"", "`NaN`, expected a number"),
    ("y=\"1e1\"", "y=\"1,0\"", "`1,0`, expected a number"),
    ("y=\"1e1\"", "", "vertex 2 of object 3 lacks a coordinate"),
    ("y=\"1e1\"", "y=\"1\" y=\"1\"", "malformed attribute"),
    ("y=\"1e1\"", "y=\"1\" w=\"1\"", "unknown attribute `w`"),
    ("v1=\"1\" v2=\"2\" v3=\"3\"", "v1=\"1\" v2=\"2\" v3=\"4\"", "a vertex that is not there"),
    ("v1=\"1\" v2=\"2\" v3=\"3\"", "v1=\"1\" v2=\"2\"", "a vertex that is not there"),
    ("v1=\"1\" v2=\"2\" v3=\"3\"", "v1=\"1\" v2=\"2\" v3=\"-3\"", "expected an index"),
    ("v1=\"1\" v2=\"2\" v3=\"3\"", "v1=\"1\" v2=\"2\" v3=\"2\"", "repeats a vertex"),
    ("v1=\"1\" v2=\"2\" v3=\"3\"", "v1=\"2\" v2=\"1\" v3=\"3\"", "3 edges of object 3 run the same way"),
    ("<triangle v1=\"1\" v2=\"2\" v3=\"3\"/>", "", "expected at least 4"),
    ("<triangle v1=\"1\" v2=\"2\" v3=\"3\"/>", "", "3 edges of object 3 belong to one triangle only"),
    (
        "<triangle v1=\"1\" v2=\"2\" v3=\"3\"/>",
        "<triangle v1=\"1\" v2=\"2\" v3=\"3\"/><triangle v1=\"1\" v2=\"2\" v3=\"3\"/>",
        "more than two triangles",
    ),
    ("z=\"10\"", "z=\"-10\"", "inside out"),
    ("z=\"10\"", "z=\"0\"", "inside out"),
    ("v3=\"1\" pid=\"2\" p1=\"1\"", "v3=\"1\" pid=\"2\" p1=\"2\"", "triangle 0 of object 3 is out of range"),
    ("v3=\"1\" pid=\"2\" p1=\"1\"", "v3=\"1\" pid=\"7\" p1=\"1\"", "property group 7, not defined before"),
    ("v3=\"1\" pid=\"2\" p1=\"1\"", "v3=\"1\" pid=\"2\" p2=\"1\"", "no p1"),
    ("v3=\"1\" pid=\"2\" p1=\"1\"", "v3=\"1\" pid=\"1\" p1=\"0\" p2=\"1\" p3=\"1\"", "blends base materials"),
    ("objectid=\"3\"", "objectid=\"4\"", "names object `4`"),
    ("objectid=\"3\"", "objectid=\"2\"", "names object `2`"),
    ("0 0 1 5 5 0\"", "0 0 0 5 5 0\"", "invertible matrix"),
    ("0 0 1 5 5 0\"", "0 0 1 5 5\"", "twelve numbers"),
    ("<build>", "<build/><build>", "2 <build> elements"),
    ("<item objectid=\"3\" transform=\"1 0 0 0 1 0 0 0 1 5 5 0\"/>", "", "nothing to print"),
];

#[test]
fn an_object_is_read_where_the_build_puts_it() {
    let quarter = MODEL.replace("1 0 0 0 1 0 0 0 1 5 5 0", "0 1 0 -1 0 0 0 0 1 5 6 7");
    let bytes = package(&[("[Content_Types].xml", TYPES), ("_rels/.rels", RELATIONS), ("3D/3dmodel.model", &quarter)]);
    let (lying, own) = (threemf::read_placed(&bytes).unwrap(), threemf::read(&bytes).unwrap());
    assert_eq!(own.positions[..3], [[0.0, 0.0, 0.0], [10.0, 0.0, 0.0], [0.0, 10.0, 0.0]]);
    // Row vectors: x goes to the first row of the matrix, which is y.
    assert_eq!(lying.positions[..3], [[5.0, 6.0, 7.0], [5.0, 16.0, 7.0], [-5.0, 6.0, 7.0]]);
}

#[test]
fn a_file_by_the_rules_has_no_fault() {
    assert_eq!(faults(TYPES, RELATIONS, MODEL), Vec::<String>::new());
}

#[test]
fn every_broken_rule_of_the_model_is_noticed() {
    for (right, wrong, words) in BROKEN_MODELS {
        assert!(MODEL.contains(right), "{right}");
        let found = faults(TYPES, RELATIONS, &MODEL.replacen(right, wrong, 1));
        assert!(found.iter().any(|fault| fault.contains(words)), "`{right}` -> `{wrong}` gave {found:?}");
    }
}

#[test]
fn resources_are_wanted_before_what_uses_them() {
    let group = "<m:colorgroup id=\"2\"><m:color color=\"#E8BEAC\"/><m:color color=\"#202020\"/></m:colorgroup>\n";
    let late = MODEL.replace(group, "").replace("</object>\n", &format!("</object>\n{group}"));
    assert!(faults(TYPES, RELATIONS, &late).iter().any(|f| f.contains("group 2, which is not defined before")));
}

#[test]
fn every_broken_rule_of_the_package_is_noticed() {
    let cases = [
        (TYPES.replace("Extension=\"model\"", "Extension=\"shape\""), RELATIONS.to_owned(), "has no content type"),
        (TYPES.replace("3dmodel+xml", "3dshape+xml"), RELATIONS.to_owned(), "has the content type"),
        (TYPES.replace("\"model\"", "\"rels\""), RELATIONS.to_owned(), "names `rels` twice"),
        (TYPES.replace("package/2006", "package/1999"), RELATIONS.to_owned(), "not in the namespace"),
        (TYPES.replace("<Default", "<Usual"), RELATIONS.to_owned(), "unknown element <Usual>"),
        (TYPES.to_owned(), RELATIONS.replace("/3D/3dmodel", "/3D/model"), "no part of the package"),
        (TYPES.to_owned(), RELATIONS.replace("/3D/3dmodel", "/../3D/3dmodel"), "no part of the package"),
        (TYPES.to_owned(), RELATIONS.replace("\"/3D", "\"3D"), "no part of the package"),
        (TYPES.to_owned(), RELATIONS.replace("2013/01/3dmodel", "2013/01/drawing"), "0 models"),
        (TYPES.to_owned(), RELATIONS.replace("Id=\"a\" ", ""), "lacks its id"),
        (TYPES.to_owned(), RELATIONS.replace("Id=", "TargetMode=\"External\" Id="), "out of the package"),
        (TYPES.to_owned(), RELATIONS.replace("</Rel", "<Relationship Id=\"a\"/></Rel"), "lacks its id"),
        (TYPES.to_owned(), RELATIONS.replace("?>\n", "?><!DOCTYPE r>\n"), "document type"),
        (TYPES.to_owned(), RELATIONS.replace("/>\n</", ">\n</"), "not well-formed"),
    ];
    for (types, relations, words) in cases {
        let found = faults(&types, &relations, MODEL);
        assert!(found.iter().any(|fault| fault.contains(words)), "{words}: {found:?}");
    }
}

#[test]
fn every_broken_rule_of_the_zip_is_noticed() {
    let good = [("[Content_Types].xml", TYPES), ("_rels/.rels", RELATIONS), ("3D/3dmodel.model", MODEL)];
    let with = |name: &'static str| check(&package(&[good[0], good[1], good[2], (name, RELATIONS)])).faults;
    for (name, words) in [
        (".hidden.rels", "not a valid part name"),
        ("3D/a./b.rels", "not a valid part name"),
        ("3D//b.rels", "not a valid part name"),
        ("3D/bö.rels", "not a valid part name"),
        ("3D/3DMODEL.model", "two parts are named"),
        ("3D/noend", "has no content type"),
    ] {
        let found = with(name);
        assert!(found.iter().any(|fault| fault.contains(words)), "{name}: {found:?}");
    }
    let lacking = |left_out: usize| {
        let rest: Vec<_> = (0..3).filter(|i| *i != left_out).map(|i| good[i]).collect();
        check(&package(&rest)).faults
    };
    assert!(lacking(0).iter().any(|f| f.contains("`[Content_Types].xml` cannot be read")));
    assert!(lacking(1).iter().any(|f| f.contains("no `_rels/.rels`")));
    assert!(lacking(2).iter().any(|f| f.contains("no part of the package")));
    assert!(check(b"PK, or so they say").faults[0].contains("not a zip package"));
}

/// Changes two bytes at an offset into the last entry's local header and at another into its directory entry.
fn patch_headers(bytes: &mut [u8], local: usize, central: usize, value: u8) {
    for (signature, offset) in [(b"PK\x03\x04", local), (b"PK\x01\x02", central)] {
        let start = bytes.windows(4).rposition(|w| w == signature).unwrap();
        bytes[start + offset] |= value;
    }
}

#[test]
fn other_packing_and_encryption_are_noticed() {
    let good = package(&[("[Content_Types].xml", TYPES), ("_rels/.rels", RELATIONS), ("3D/3dmodel.model", MODEL)]);
    let mut packed = good.clone();
    patch_headers(&mut packed, 8, 10, 12);
    assert!(check(&packed).faults.iter().any(|f| f.contains("expected stored or deflate")));
    let mut encrypted = good;
    patch_headers(&mut encrypted, 6, 8, 1);
    assert!(check(&encrypted).faults.iter().any(|f| f.contains("is encrypted")));
}

#[test]
fn a_damaged_byte_or_a_cut_off_file_is_noticed_without_a_panic() {
    let options = SimpleFileOptions::default().compression_method(CompressionMethod::Stored);
    let mut zip = ZipWriter::new(Cursor::new(Vec::new()));
    for (name, text) in [("[Content_Types].xml", TYPES), ("_rels/.rels", RELATIONS), ("3D/3dmodel.model", MODEL)] {
        zip.start_file(name, options).unwrap();
        zip.write_all(text.as_bytes()).unwrap();
    }
    let bytes = zip.finish().unwrap().into_inner();
    assert!(check(&bytes).faults.is_empty());
    let title = bytes.windows(5).position(|w| w == b"ferry").unwrap();
    let mut damaged = bytes.clone();
    damaged[title] = b'b';
    assert!(check(&damaged).faults.iter().any(|f| f.contains("is damaged")), "the checksum must tell");
    for end in (0..bytes.len()).step_by(37) {
        assert!(!check(&bytes[..end]).faults.is_empty());
    }
    for place in (0..bytes.len()).step_by(11) {
        let mut damaged = bytes.clone();
        damaged[place] ^= 0x5A;
        let _ = check(&damaged);
    }
}

fn octahedron() -> ColouredObject {
    let r = 25.0 + 1.0 / 16384.0;
    let ring = [[1, 0, 0], [0, 1, 0], [-1, 0, 0], [0, -1, 0]].map(|p| p.map(|x: i32| f64::from(x) * r));
    let mut positions = ring.to_vec();
    positions.extend([[0.0, 0.0, r], [0.0, -0.0, -r]]);
    let upper = (0..4_u32).map(|i| [i, (i + 1) % 4, 4]);
    let lower = (0..4_u32).map(|i| [(i + 1) % 4, i, 5]);
    ColouredObject {
        name: "03-left <shoulder> & \"sleeve\"".to_owned(),
        positions,
        triangles: upper.chain(lower).collect(),
        colours: vec![[0xE8, 0xBE, 0xAC], [0, 0, 0], [255, 255, 255]],
        colour_of: vec![0, 1, 2, 0, 1, 2, 0, 1],
    }
}

#[test]
fn what_is_written_keeps_the_rules_and_reads_back_bit_by_bit() {
    let object = octahedron();
    let bytes = threemf::write(&object).unwrap();
    assert_eq!(check(&bytes).faults, Vec::<String>::new());
    assert_eq!(threemf::read(&bytes).unwrap(), object);
    assert_eq!(threemf::write(&object).unwrap(), bytes, "equal objects give equal bytes");
}

#[test]
fn an_object_that_names_what_is_not_there_is_refused() {
    let mut wrong = octahedron();
    wrong.triangles[2][1] = 6;
    assert!(threemf::write(&wrong).unwrap_err().to_string().contains("triangle 2"));
    let mut wrong = octahedron();
    wrong.colour_of[7] = 3;
    assert!(threemf::write(&wrong).unwrap_err().to_string().contains("triangle 7"));
    let mut wrong = octahedron();
    wrong.colour_of.pop();
    assert!(threemf::write(&wrong).unwrap_err().to_string().contains("7 colour entries for 8 triangles"));
    let mut wrong = octahedron();
    wrong.positions[3][0] = f64::NAN;
    assert!(threemf::write(&wrong).unwrap_err().to_string().contains("corner 3"));
}

#[test]
fn an_open_or_inverted_object_is_written_but_not_accepted() {
    let mut open = octahedron();
    open.triangles.pop();
    open.colour_of.pop();
    assert!(threemf::read(&threemf::write(&open).unwrap()).unwrap_err().to_string().contains("one triangle only"));
    let mut inverted = octahedron();
    inverted.triangles.iter_mut().for_each(|t| t.swap(0, 1));
    assert!(threemf::read(&threemf::write(&inverted).unwrap()).unwrap_err().to_string().contains("inside out"));
}
