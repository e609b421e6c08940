//! An X11 window for a plug-in to put its own into, and pictures of it.

use std::path::Path;

use anyhow::{Context, Result, ensure};
use x11rb::{
    COPY_FROM_PARENT,
    connection::Connection,
    protocol::{
        Event,
        damage::{ConnectionExt as _, ReportLevel},
        res::{ClientIdMask, ClientIdSpec, ConnectionExt as _},
        xproto::{
            AtomEnum, ConfigureWindowAux, ConnectionExt, CreateWindowAux, EventMask, ImageFormat, PropMode,
            WindowClass,
        },
    },
    rust_connection::RustConnection,
    wrapper::ConnectionExt as _,
};

use super::picture::write_png;

/// A window of the host's.
pub struct Screen {
    connection: RustConnection,
    root: u32,
    /// What X11 calls it by.
    pub id: u32,
    size: [u32; 2],
    delete_window: u32,
    num_paints: usize,
}

/// What happened to a window.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ScreenEvent {
    /// The user closed it.
    Closed,
    /// The user gave it this size in pixels.
    Resized([u32; 2]),
}

impl Screen {
    /// Opens a window on the display of the environment.
    pub fn open(title: &str) -> Result<Self> {
        let (connection, screen) = x11rb::connect(None)
            .context("no X11 display: run this on a desktop, or as `xvfb-run cargo xtask window`")?;
        let root = connection.setup().roots[screen].root;
        let atom = |name: &[u8]| -> Result<u32> { Ok(connection.intern_atom(false, name)?.reply()?.atom) };
        let (protocols, delete_window) = (atom(b"WM_PROTOCOLS")?, atom(b"WM_DELETE_WINDOW")?);
        let id = connection.generate_id()?;
        let size = [640, 480];
        connection.create_window(
            COPY_FROM_PARENT as u8,
            id,
            root,
            0,
            0,
            size[0] as u16,
            size[1] as u16,
            0,
            WindowClass::INPUT_OUTPUT,
            0,
            &CreateWindowAux::new().background_pixel(0).event_mask(EventMask::STRUCTURE_NOTIFY),
        )?;
        let title = title.as_bytes();
        connection.change_property8(PropMode::REPLACE, id, AtomEnum::WM_NAME, AtomEnum::STRING, title)?;
        connection.change_property32(PropMode::REPLACE, id, protocols, AtomEnum::ATOM, &[delete_window])?;
        connection.map_window(id)?;
        connection.sync()?;
        Ok(Self { connection, root, id, size, delete_window, num_paints: 0 })
    }

    /// Size in pixels.
    pub fn size(&self) -> [u32; 2] {
        self.size
    }

    /// Gives the window a size in pixels.
    pub fn resize(&mut self, size: [u32; 2]) -> Result<()> {
        if size != self.size {
            self.size = size;
            let size = ConfigureWindowAux::new().width(size[0]).height(size[1]);
            self.connection.configure_window(self.id, &size)?;
            self.connection.sync()?;
        }
        Ok(())
    }

    /// What has happened since the last call.
    pub fn events(&mut self) -> Result<Vec<ScreenEvent>> {
        let mut events = Vec::new();
        while let Some(event) = self.connection.poll_for_event()? {
            match event {
                Event::ClientMessage(message) if message.data.as_data32()[0] == self.delete_window => {
                    events.push(ScreenEvent::Closed);
                }
                Event::ConfigureNotify(event) if event.window == self.id => {
                    let size = [event.width.into(), event.height.into()];
                    if size != self.size {
                        self.size = size;
                        events.push(ScreenEvent::Resized(size));
                    }
                }
                Event::DamageNotify(_) => self.num_paints += 1,
                _ => {}
            }
        }
        Ok(events)
    }

    /// Counts from now on how often something is painted within the window, by whichever program.
    pub fn watch_paints(&self) -> Result<()> {
        self.connection.damage_query_version(1, 1)?.reply().context("the display does not tell of damage")?;
        let watch = self.connection.generate_id()?;
        self.connection.damage_create(watch, self.id, ReportLevel::RAW_RECTANGLES)?.check()?;
        Ok(())
    }

    /// How often something was painted since the last call, as far as [`Screen::events`] has heard of it.
    pub fn take_paints(&mut self) -> usize {
        std::mem::take(&mut self.num_paints)
    }

    /// Connections of this process to the X server, and what it keeps for them.
    pub fn num_connections_and_resources(&self) -> Result<[usize; 2]> {
        self.connection.res_query_version(1, 2)?.reply().context("the display does not tell of resources")?;
        let every = ClientIdSpec { client: x11rb::NONE, mask: ClientIdMask::LOCAL_CLIENT_PID };
        let clients = self.connection.res_query_client_ids(&[every])?.reply()?.ids;
        let (mut num_connections, mut num_resources) = (0, 0);
        for client in clients.iter().filter(|client| client.value == [std::process::id()]) {
            // One that has gone since keeps nothing.
            if let Ok(kept) = self.connection.res_query_client_resources(client.spec.client)?.reply() {
                num_connections += 1;
                num_resources += kept.types.iter().map(|kind| kind.count as usize).sum::<usize>();
            }
        }
        ensure!(num_connections > 0, "the display does not tell which programs are connected to it");
        Ok([num_connections, num_resources])
    }

    /// Takes the mouse off the window, so that no tooltip stands in the picture.
    pub fn move_mouse_away(&self) -> Result<()> {
        let pointer = self.connection.query_pointer(self.id)?.reply()?;
        let inside = |at: i16, length: u32| (0..length as i32).contains(&i32::from(at));
        if inside(pointer.win_x, self.size[0]) && inside(pointer.win_y, self.size[1]) {
            self.move_mouse(self.size.map(|length| length as i16 + 8))?;
        }
        Ok(())
    }

    /// Moves the mouse to a place in the window.
    pub fn move_mouse(&self, [x, y]: [i16; 2]) -> Result<()> {
        self.connection.warp_pointer(x11rb::NONE, self.id, 0, 0, 0, 0, x, y)?;
        Ok(self.connection.sync()?)
    }

    /// What is to be seen, three bytes a pixel: red, green, blue, row by row.
    pub fn pixels(&self) -> Result<Vec<u8>> {
        self.top(self.size[1])
    }

    /// The same of so many rows at the top.
    pub fn top(&self, num_rows: u32) -> Result<Vec<u8>> {
        let place = self.connection.translate_coordinates(self.id, self.root, 0, 0)?.reply()?;
        let [width, height] = [self.size[0], num_rows.min(self.size[1])].map(|n| n as u16);
        // Of the root, since what other programs drew inside our window is not in our window's own image.
        let image = self
            .connection
            .get_image(ImageFormat::Z_PIXMAP, self.root, place.dst_x, place.dst_y, width, height, !0)?
            .reply()
            .context("the window is not wholly on the screen")?;
        let num_pixels = usize::from(width) * usize::from(height);
        ensure!(image.data.len() == 4 * num_pixels, "the display has no 24-bit colours");
        Ok(image.data.chunks_exact(4).flat_map(|pixel| [pixel[2], pixel[1], pixel[0]]).collect())
    }

    /// Writes what is to be seen as a PNG.
    pub fn picture(&self, file: &Path) -> Result<()> {
        write_png(file, self.size, &self.pixels()?)
    }
}

impl Drop for Screen {
    fn drop(&mut self) {
        let _ = self.connection.destroy_window(self.id);
        let _ = self.connection.sync();
    }
}
