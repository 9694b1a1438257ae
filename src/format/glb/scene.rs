//! The nodes of a glTF scene that show a mesh, each with its place; cycles and shared children are refused.

use glam::{DMat4, DQuat, DVec3};
use gltf::json::{Index, Mesh, Node, Root};

use super::data::at;
use crate::format::read_error::{EXPORT_AGAIN, ReadError};

/// Deepest nesting of nodes.
const DEPTH_MAX: usize = 64;

/// A mesh and where it stands.
#[derive(Debug)]
pub(super) struct Placed {
    pub mesh: Index<Mesh>,
    pub place: DMat4,
}

/// All meshes of the scene that is shown first.
pub(super) fn placed_meshes(root: &Root) -> Result<Vec<Placed>, ReadError> {
    let mut placed = Vec::new();
    let mut seen = vec![false; root.nodes.len()];
    let mut todo: Vec<(Index<Node>, DMat4, usize)> = Vec::new();
    todo.extend(root_nodes(root)?.into_iter().rev().map(|node| (node, DMat4::IDENTITY, 0)));
    while let Some((index, parent, depth)) = todo.pop() {
        let item = format!("nodes[{}]", index.value());
        let node = at(&root.nodes, index, "node")?;
        if std::mem::replace(&mut seen[index.value()], true) {
            let what = "the node is reached twice, so the nodes are no tree";
            return Err(ReadError::new(what, EXPORT_AGAIN).at_item(item));
        }
        let place = parent * place_of(node);
        if depth > DEPTH_MAX || !place.is_finite() {
            let what = format!("nodes nested deeper than {DEPTH_MAX}, or placed at no finite place");
            return Err(ReadError::new(what, EXPORT_AGAIN).at_item(item));
        }
        placed.extend(node.mesh.map(|mesh| Placed { mesh, place }));
        todo.extend(node.children.iter().flatten().rev().map(|&child| (child, place, depth + 1)));
    }
    Ok(placed)
}

/// Nodes of the named scene, else of the first, else all that are nobody's child.
fn root_nodes(root: &Root) -> Result<Vec<Index<Node>>, ReadError> {
    if let Some(index) = root.scene {
        return Ok(at(&root.scenes, index, "scene")?.nodes.clone());
    }
    if let Some(scene) = root.scenes.first() {
        return Ok(scene.nodes.clone());
    }
    let mut is_child = vec![false; root.nodes.len()];
    for child in root.nodes.iter().filter_map(|n| n.children.as_ref()).flatten() {
        if let Some(flag) = is_child.get_mut(child.value()) {
            *flag = true;
        }
    }
    Ok((0..root.nodes.len()).filter(|&n| !is_child[n]).map(|n| Index::new(n as u32)).collect())
}

fn place_of(node: &Node) -> DMat4 {
    if let Some(matrix) = node.matrix {
        return DMat4::from_cols_array(&matrix.map(f64::from));
    }
    let vector = |v: Option<[f32; 3]>, standard| v.map_or(standard, |v| DVec3::from_array(v.map(f64::from)));
    let turn = node.rotation.map_or(DQuat::IDENTITY, |q| DQuat::from_array(q.0.map(f64::from)));
    let turn = if turn.length_squared() > 0.0 { turn.normalize() } else { DQuat::IDENTITY };
    let scale = vector(node.scale, DVec3::ONE);
    DMat4::from_scale_rotation_translation(scale, turn, vector(node.translation, DVec3::ZERO))
}
