"""Second opinion on what the program wrote, by reference libraries that share no code with it.

    oracle.py run RUN_DIR      parts of a published run: lib3mf strict reading, trimesh, manifold3d
    oracle.py cut MESH X Y Z OFFSET   volumes and areas of both halves of a mesh by manifold3d
    oracle.py recut RUN_DIR RECUT_DIR   both halves of a part in the figure against manifold3d's
    oracle.py solid MESH       is it closed and consistently wound, how many bodies, which volume (trimesh)
    oracle.py mended           a mended scan against the whole body (JSON on standard input): trimesh, manifold3d, libigl
    oracle.py schema           YAML texts against a JSON Schema by jsonschema (JSON on standard input)
    oracle.py kmedians         a weighted k-medoid cost by exhaustive search in numpy, samples on standard input

Prints one JSON object.
"""
import itertools
import json
import sys
from pathlib import Path

import numpy as np
import trimesh


def facts(mesh):
    return {
        "watertight": bool(mesh.is_watertight),
        "wound": bool(mesh.is_winding_consistent),
        "volume": float(mesh.volume),
        "area": float(mesh.area),
        "bodies": int(mesh.body_count),
        "triangles": len(mesh.faces),
    }


def load(path):
    mesh = trimesh.load(path, force="mesh", process=False)
    mesh.merge_vertices(merge_tex=True, merge_norm=True)
    return mesh


def manifold(vertices, triangles):
    import manifold3d

    solid = manifold3d.Manifold(
        manifold3d.Mesh64(
            vert_properties=np.ascontiguousarray(vertices, np.float64),
            tri_verts=np.ascontiguousarray(triangles, np.uint64),
        )
    )
    if solid.status() != manifold3d.Error.NoError:
        raise SystemExit(f"manifold3d refuses the mesh: {solid.status()}")
    return solid


def strict(path):
    """Warnings of a strict reading by the standard's own library, and whether every mesh is a solid."""
    import lib3mf

    model = lib3mf.get_wrapper().CreateModel()
    reader = model.QueryReader("3mf")
    reader.SetStrictModeActive(True)
    reader.ReadFromFile(str(path))
    warnings = [str(reader.GetWarning(i)) for i in range(reader.GetWarningCount())]
    solid, triangles = True, 0
    meshes = model.GetMeshObjects()
    while meshes.MoveNext():
        mesh = meshes.GetCurrentMeshObject()
        solid &= bool(mesh.IsManifoldAndOriented())
        triangles += mesh.GetTriangleCount()
    colours = 0
    groups = model.GetColorGroups()
    while groups.MoveNext():
        colours += groups.GetCurrentColorGroup().GetCount()
    low, high = built(model)
    return {"warnings": warnings, "solid": solid, "triangles": triangles, "colours": colours, "low": low, "high": high}


def built(model):
    """Lowest and highest corner of what the build holds, each item where its transform puts it."""
    corners = []
    items = model.GetBuildItems()
    while items.MoveNext():
        item = items.GetCurrent()
        places = model.GetMeshObjectByID(item.GetObjectResourceID()).GetVertices()
        rows = np.array([list(row) for row in item.GetObjectTransform().Fields], float)
        corners.append(np.array([list(v.Coordinates) for v in places], float) @ rows[:3] + rows[3])
    corners = np.concatenate(corners)
    return corners.min(axis=0).tolist(), corners.max(axis=0).tolist()


def run(folder):
    folder = Path(folder)
    assembly = json.loads((folder / "assembly.json").read_text("utf-8"))
    parts, bodies = [], []
    for entry in assembly["parts"]:
        mesh = load(folder / entry["file"])
        placement = np.array(entry["placement"]).reshape(4, 4)
        placed = mesh.vertices @ placement[:3, :3].T + placement[:3, 3]
        solids = sorted((folder / entry["file"]).with_suffix("").glob("*.stl"))
        pieces = [load(path) for path in solids]
        bodies.append(manifold(placed, mesh.faces))
        parts.append(
            facts(mesh)
            | {
                "name": entry["name"],
                "low": mesh.bounds[0].tolist(),
                "placed_low": placed.min(axis=0).tolist(),
                "centre_of_mass": (placement[:3, :3] @ mesh.center_mass + placement[:3, 3]).tolist(),
                "size": mesh.extents.tolist(),
                "in_figure": [placed.min(axis=0).tolist(), placed.max(axis=0).tolist()],
                "rigid": bool(np.allclose(placement[:3, :3] @ placement[:3, :3].T, np.eye(3), atol=1e-12)),
                "strict": strict(folder / entry["file"]),
                "solids": len(pieces),
                "solids_watertight": all(p.is_watertight for p in pieces),
                "solids_low": np.min([p.bounds[0] for p in pieces], axis=0).tolist() if pieces else None,
                "solids_high": np.max([p.bounds[1] for p in pieces], axis=0).tolist() if pieces else None,
                "solids_volume": float(sum(p.volume for p in pieces)),
            }
        )
    overlaps = [(a ^ b).volume() for a, b in itertools.combinations(bodies, 2)]
    return {"parts": parts, "largest_overlap": max(overlaps, default=0.0)}


def cut(path, normal, offset):
    mesh = load(path)
    solid = manifold(mesh.vertices, mesh.faces)
    above, below = solid.split_by_plane(normal, offset)
    halves = {"above": above, "below": below, "whole": solid}
    return {name: {"volume": half.volume(), "area": half.surface_area()} for name, half in halves.items()}


def placed(folder, entry):
    """A part's file as it sits in the figure, and the matrix that puts it there."""
    mesh = load(Path(folder) / entry["file"])
    matrix = np.array(entry["placement"]).reshape(4, 4)
    return mesh, matrix, manifold(mesh.vertices @ matrix[:3, :3].T + matrix[:3, 3], mesh.faces)


def recut(run_folder, folder):
    record = json.loads((Path(folder) / "recut.json").read_text("utf-8"))
    assembly = json.loads((Path(run_folder) / "assembly.json").read_text("utf-8"))
    part = next(p for p in assembly["parts"] if p["name"] == record["source"]["part"])
    mesh, matrix, whole = placed(run_folder, part)
    normal = matrix[:3, 2]
    offset = float(normal @ matrix[:3, 3]) + record["plane_mm"]
    above, below = whole.split_by_plane(normal.tolist(), offset)
    rest = None
    for entry in record["parts"]:
        piece = placed(folder, entry)[2]
        rest = piece if rest is None else rest + piece
    section = manifold(mesh.vertices, mesh.faces).slice(record["plane_mm"]).area()
    differs = (above - rest).volume() + (rest - above).volume()
    return {
        "above": above.volume(),
        "below": below.volume(),
        "whole": whole.volume(),
        "section": section,
        "differs": differs,
    }


def mended(text):
    """What a mended scan is by itself, how far it is from points on the intact triangles of the whole body, and how far its
    own vertices are from that body."""
    import igl
    from igl.copyleft import cgal

    data = json.loads(text)
    body, solid = (
        trimesh.Trimesh(np.array(data[name]["positions"], float), np.array(data[name]["triangles"]), process=False)
        for name in ("body", "solid")
    )
    weights = body.area_faces * np.array(data["intact"])
    points, _ = trimesh.sample.sample_surface(body, 40_000, face_weight=weights, seed=2604)
    vertices, triangles = np.ascontiguousarray(solid.vertices, float), np.ascontiguousarray(solid.faces, np.int64)

    def distances(points, mesh):
        arrays = (np.ascontiguousarray(a, kind) for a, kind in [(points, float), (mesh.vertices, float), (mesh.faces, np.int64)])
        return np.sqrt(igl.point_mesh_squared_distance(*arrays)[0])

    lost, stray = distances(points, solid), distances(vertices, body)
    pairs = cgal.remesh_self_intersections(vertices, triangles, detect_only=True, cutoff=2**31 - 1)[2]
    return facts(solid) | {
        "euler": int(solid.euler_number),
        "crossings": len(pairs),
        "manifold_volume": manifold(vertices, triangles).volume() if solid.is_watertight else None,
        "body_volume": manifold(body.vertices, body.faces).volume(),
        "distance_95": float(np.quantile(lost, 0.95)),
        "distance_99_5": float(np.quantile(lost, 0.995)),
        "distance_max": float(lost.max()),
        "stray_99_5": float(np.quantile(stray, 0.995)),
        "stray_max": float(stray.max()),
    }


def taubin(text):
    """Places after trimesh's Taubin filter with its equal weights."""
    data = json.loads(text)
    mesh = trimesh.Trimesh(np.array(data["positions"], float), np.array(data["triangles"]), process=False)
    trimesh.smoothing.filter_taubin(mesh, lamb=data["lambda"], nu=-data["mu"], iterations=2 * data["pairs"])
    return {"positions": mesh.vertices.tolist(), "volume": float(mesh.volume)}


def kmedians(text):
    """Least total weighted distance over all ways to choose k columns of a distance table."""
    data = json.loads(text)
    table, weight = np.array(data["table"]), np.array(data["weights"])
    costs = {
        pick: float(weight @ table[:, pick].min(axis=1))
        for pick in itertools.combinations(range(table.shape[1]), data["k"])
    }
    best = min(costs, key=costs.get)
    return {"pick": best, "cost": costs[best]}


def schema(text):
    """What a validator finds wrong with each text; the schema itself is checked first."""
    from jsonschema import Draft202012Validator
    import yaml

    data = json.loads(text)
    Draft202012Validator.check_schema(data["schema"])
    validator = Draft202012Validator(data["schema"])
    faults = [[error.message[:200] for error in validator.iter_errors(yaml.safe_load(words))] for words in data["texts"]]
    return {"faults": faults}


def main():
    match sys.argv[1:]:
        case ["run", folder]:
            answer = run(folder)
        case ["cut", path, x, y, z, offset]:
            answer = cut(path, [float(x), float(y), float(z)], float(offset))
        case ["recut", run_folder, folder]:
            answer = recut(run_folder, folder)
        case ["solid", path]:
            answer = facts(load(path))
        case ["mended"]:
            answer = mended(sys.stdin.read())
        case ["taubin"]:
            answer = taubin(sys.stdin.read())
        case ["schema"]:
            answer = schema(sys.stdin.read())
        case ["kmedians"]:
            answer = kmedians(sys.stdin.read())
        case _:
            raise SystemExit(__doc__)
    print(json.dumps(answer))


if __name__ == "__main__":
    main()
