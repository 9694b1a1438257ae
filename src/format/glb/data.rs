//! Buffers, views and accessors of a glTF file as plain numbers, every offset and count checked.

use std::borrow::Cow;

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use gltf::json::accessor::{ComponentType, Type};
use gltf::json::validation::{Checked, USize64};
use gltf::json::{Accessor, Index, Root, buffer};

use crate::format::ScanFiles;
use crate::format::names::{below_folder, percent_decoded};
use crate::format::read_error::{EXPORT_AGAIN, ReadError};
use crate::format::surface_pictures::leaves_folder;

/// The document with its binary data.
#[derive(Debug)]
pub(super) struct Data<'a> {
    pub root: &'a Root,
    buffers: Vec<Cow<'a, [u8]>>,
}

fn broken(what: impl Into<String>) -> ReadError {
    ReadError::new(what, EXPORT_AGAIN)
}

/// Looks an index up, or says what points nowhere.
pub(super) fn at<'a, T>(list: &'a [T], index: Index<T>, what: &str) -> Result<&'a T, ReadError> {
    let found = list.get(index.value());
    found.ok_or_else(|| broken(format!("refers to {what} {}, there are {}", index.value(), list.len())))
}

fn size(value: USize64) -> Result<usize, ReadError> {
    usize::try_from(value.0).ok().filter(|&v| v < usize::MAX / 4).ok_or_else(|| broken("a size beyond all reason"))
}

fn size_or_zero(value: Option<USize64>) -> Result<usize, ReadError> {
    value.map_or(Ok(0), size)
}

/// Bytes of a URI that carries its data itself; `None` for one that names a file.
pub(super) fn inline_bytes(uri: &str) -> Option<Result<Vec<u8>, ReadError>> {
    let content = uri.strip_prefix("data:")?;
    let Some((_, encoded)) = content.split_once(";base64,") else {
        return Some(Err(broken("a data URI without base64 data")));
    };
    Some(STANDARD.decode(encoded).map_err(|e| broken(format!("a data URI is damaged: {e}"))))
}

impl<'a> Data<'a> {
    /// Gathers all buffers; `bin` is the binary chunk of a GLB file.
    pub fn new(root: &'a Root, bin: Option<&'a [u8]>, files: &'a ScanFiles) -> Result<Self, ReadError> {
        let mut buffers = Vec::with_capacity(root.buffers.len());
        for (number, buffer) in root.buffers.iter().enumerate() {
            let item = format!("buffers[{number}]");
            let bytes = buffer_bytes(buffer, number, bin, files).map_err(|e| e.at_item(&item))?;
            let announced = size(buffer.byte_length).map_err(|e| e.at_item(&item))?;
            if bytes.len() < announced {
                let what = format!("{announced} bytes announced, {} are there", bytes.len());
                return Err(broken(what).at_item(item));
            }
            buffers.push(bytes);
        }
        Ok(Self { root, buffers })
    }

    /// Bytes of all buffers together.
    pub fn bytes_total(&self) -> usize {
        self.buffers.iter().map(|b| b.len()).sum()
    }

    /// The bytes of a view.
    pub fn view(&self, index: Index<buffer::View>) -> Result<&[u8], ReadError> {
        let view = at(&self.root.buffer_views, index, "buffer view")?;
        let buffer = self.buffers.get(view.buffer.value());
        let buffer =
            buffer.ok_or_else(|| broken(format!("refers to buffer {}, there is none", view.buffer.value())))?;
        let start = size_or_zero(view.byte_offset)?;
        let end = start + size(view.byte_length)?;
        buffer.get(start..end).ok_or_else(|| {
            let what = format!("buffer view {} reaches byte {end} of a buffer of {}", index.value(), buffer.len());
            broken(what)
        })
    }

    /// An accessor as rows of `N` numbers; a row of three may be read from rows of four. Integers that are marked as
    /// normalised, or all if `is_share`, come out as 0 to 1 (-1 to 1 when signed).
    pub fn rows<const N: usize>(&self, index: Index<Accessor>, is_share: bool) -> Result<Vec<[f64; N]>, ReadError> {
        let item = format!("accessors[{}]", index.value());
        self.rows_of(index, is_share).map_err(|e| e.at_item(item))
    }

    fn rows_of<const N: usize>(&self, index: Index<Accessor>, is_share: bool) -> Result<Vec<[f64; N]>, ReadError> {
        let accessor = at(&self.root.accessors, index, "accessor")?;
        let Checked::Valid(component) = accessor.component_type else { return Err(broken("an unknown number type")) };
        let Checked::Valid(dimensions) = accessor.type_ else { return Err(broken("an unknown accessor type")) };
        let width = width_of(dimensions);
        if width < N || (width > N && N != 3) {
            return Err(broken(format!("rows of {width} numbers where {N} are needed")));
        }
        let count = size(accessor.count)?;
        let column = Column { component: component.0, width, is_share: accessor.normalized || is_share };
        let mut rows = if let Some(view) = accessor.buffer_view {
            let stride = self.root.buffer_views.get(view.value()).and_then(|v| v.byte_stride).map(|s| s.0);
            column.read(self.view(view)?, size_or_zero(accessor.byte_offset)?, stride, count)?
        } else {
            if accessor.sparse.is_none() {
                let hint = "its data are compressed or missing: export the scan without compression";
                return Err(ReadError::new("an accessor without a buffer view", hint));
            }
            if count > self.bytes_total() {
                return Err(broken(format!("{count} rows announced in a file of {} bytes", self.bytes_total())));
            }
            vec![[0.0; N]; count]
        };
        self.apply_sparse(accessor, column, &mut rows)?;
        Ok(rows)
    }

    /// Replaces single rows.
    fn apply_sparse<const N: usize>(
        &self,
        accessor: &Accessor,
        column: Column,
        rows: &mut [[f64; N]],
    ) -> Result<(), ReadError> {
        let Some(sparse) = &accessor.sparse else { return Ok(()) };
        let count = size(sparse.count)?;
        let Checked::Valid(kind) = sparse.indices.component_type else { return Err(broken("an unknown number type")) };
        let positions = Column { component: kind.0, width: 1, is_share: false };
        let positions: Vec<[f64; 1]> =
            positions.read(self.view(sparse.indices.buffer_view)?, size(sparse.indices.byte_offset)?, None, count)?;
        let values: Vec<[f64; N]> =
            column.read(self.view(sparse.values.buffer_view)?, size(sparse.values.byte_offset)?, None, count)?;
        for ([position], value) in positions.into_iter().zip(values) {
            let row = rows.get_mut(position as usize);
            *row.ok_or_else(|| broken(format!("a sparse value for row {position}, beyond the last")))? = value;
        }
        Ok(())
    }

    /// An accessor as indices, each below `end`.
    pub fn indices(&self, index: Index<Accessor>, end: usize) -> Result<Vec<u32>, ReadError> {
        let item = format!("accessors[{}]", index.value());
        let rows: Vec<[f64; 1]> = self.rows(index, false)?;
        let checked = |[value]: [f64; 1]| {
            if value >= 0.0 && value < end as f64 {
                return Ok(value as u32);
            }
            Err(broken(format!("an index of {value}, there are {end} vertices")).at_item(&item))
        };
        rows.into_iter().map(checked).collect()
    }
}

fn buffer_bytes<'a>(
    buffer: &gltf::json::Buffer,
    number: usize,
    bin: Option<&'a [u8]>,
    files: &'a ScanFiles,
) -> Result<Cow<'a, [u8]>, ReadError> {
    let Some(uri) = &buffer.uri else {
        let bin = bin.filter(|_| number == 0);
        return bin.map(Cow::Borrowed).ok_or_else(|| broken("the buffer has neither a URI nor a binary chunk"));
    };
    if let Some(bytes) = inline_bytes(uri) {
        return bytes.map(Cow::Owned);
    }
    let uri = percent_decoded(uri);
    let name = below_folder(&uri, &files.main).map_err(|_| leaves_folder(&uri, &files.main))?;
    let found = files.find(&name).map(|(_, bytes)| Cow::Borrowed(bytes));
    found.ok_or_else(|| ReadError::new(format!("its data file `{name}` is not there"), "put it beside the scan"))
}

/// How the numbers of an accessor are stored.
#[derive(Clone, Copy, Debug)]
struct Column {
    component: ComponentType,
    /// Numbers of a row.
    width: usize,
    /// Whether integers stand for shares of their largest.
    is_share: bool,
}

impl Column {
    fn read<const N: usize>(
        self,
        bytes: &[u8],
        offset: usize,
        stride: Option<usize>,
        count: usize,
    ) -> Result<Vec<[f64; N]>, ReadError> {
        let step = self.component.size();
        let row_bytes = step * self.width;
        let stride = stride.filter(|&s| s != 0).unwrap_or(row_bytes);
        if count == 0 {
            return Ok(Vec::new());
        }
        let end = (count - 1).checked_mul(stride).and_then(|n| n.checked_add(offset + row_bytes));
        if end.is_none_or(|end| end > bytes.len()) || stride < row_bytes {
            let what = format!("{count} rows of {stride} bytes from byte {offset} do not fit {} bytes", bytes.len());
            return Err(broken(what));
        }
        let top = top_of(self.component);
        let row = |n: usize| {
            let start = offset + n * stride;
            std::array::from_fn(|i| {
                let value = number(&bytes[start + i * step..], self.component);
                if self.is_share && self.component != ComponentType::F32 { (value / top).max(-1.0) } else { value }
            })
        };
        Ok((0..count).map(row).collect())
    }
}

fn width_of(dimensions: Type) -> usize {
    match dimensions {
        Type::Scalar => 1,
        Type::Vec2 => 2,
        Type::Vec3 => 3,
        Type::Vec4 | Type::Mat2 => 4,
        Type::Mat3 => 9,
        Type::Mat4 => 16,
    }
}

/// Integer that stands for 1 in a normalised accessor (glTF 2.0, section 3.11).
fn top_of(component: ComponentType) -> f64 {
    match component {
        ComponentType::I8 => 127.0,
        ComponentType::U8 => 255.0,
        ComponentType::I16 => 32_767.0,
        ComponentType::U16 => 65_535.0,
        ComponentType::U32 => f64::from(u32::MAX),
        ComponentType::F32 => 1.0,
    }
}

/// The number at the beginning of `bytes`, little-endian; the caller made sure it is there.
fn number(bytes: &[u8], component: ComponentType) -> f64 {
    fn head<const N: usize>(bytes: &[u8]) -> [u8; N] {
        bytes.first_chunk().copied().unwrap_or([0; N])
    }
    match component {
        ComponentType::I8 => f64::from(i8::from_le_bytes(head(bytes))),
        ComponentType::U8 => f64::from(u8::from_le_bytes(head(bytes))),
        ComponentType::I16 => f64::from(i16::from_le_bytes(head(bytes))),
        ComponentType::U16 => f64::from(u16::from_le_bytes(head(bytes))),
        ComponentType::U32 => f64::from(u32::from_le_bytes(head(bytes))),
        ComponentType::F32 => f64::from(f32::from_le_bytes(head(bytes))),
    }
}
