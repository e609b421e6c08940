//! What is to be seen, as a file.

use std::{fs::File, io::BufWriter, path::Path};

use anyhow::{Context, Result};

/// Writes three bytes a pixel, red, green, blue, row by row, as a PNG.
pub fn write_png(file: &Path, [width, height]: [u32; 2], pixels: &[u8]) -> Result<()> {
    let named = || file.display().to_string();
    let out = BufWriter::new(File::create(file).with_context(named)?);
    let mut encoder = png::Encoder::new(out, width, height);
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_compression(png::Compression::High);
    // Flat colours pack best as they are.
    encoder.set_filter(png::Filter::NoFilter);
    encoder.write_header().and_then(|mut writer| writer.write_image_data(pixels)).with_context(named)
}
