//! A window of Windows for a plug-in to put its own into, and pictures of it.

use std::{cell::RefCell, mem, path::Path, ptr};

use anyhow::{Result, ensure};
use windows_sys::{
    Win32::{
        Foundation::{HWND, LPARAM, LRESULT, POINT, RECT, WPARAM},
        Graphics::Gdi::{
            BI_RGB, BITMAPINFO, BitBlt, CAPTUREBLT, ClientToScreen, CreateCompatibleBitmap,
            CreateCompatibleDC, DIB_RGB_COLORS, DeleteDC, DeleteObject, GetDC, GetDIBits, ReleaseDC, SRCCOPY,
            SelectObject,
        },
        System::LibraryLoader::GetModuleHandleW,
        UI::WindowsAndMessaging::{
            AdjustWindowRectEx, CW_USEDEFAULT, CreateWindowExW, DefWindowProcW, DestroyWindow,
            DispatchMessageW, IDC_ARROW, LoadCursorW, MSG, PM_REMOVE, PeekMessageW, RegisterClassW,
            SWP_NOMOVE, SWP_NOZORDER, SetCursorPos, SetWindowPos, TranslateMessage, WM_CLOSE, WM_KEYDOWN,
            WM_SIZE, WNDCLASSW, WS_OVERLAPPEDWINDOW, WS_VISIBLE,
        },
    },
    w,
};

use super::picture::write_png;

/// A window of the host's.
pub struct Screen {
    /// What Windows calls it by.
    pub id: HWND,
    size: [u32; 2],
}

/// What happened to a window.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ScreenEvent {
    /// The user closed it.
    Closed,
    /// The user gave it this size in pixels.
    Resized([u32; 2]),
}

thread_local! {
    /// What Windows has told of the one window of this thread.
    static EVENTS: RefCell<Vec<ScreenEvent>> = const { RefCell::new(Vec::new()) };
    /// Keys that were pressed for that window, and not for the plug-in's in it, by Windows' numbers.
    static KEYS: RefCell<Vec<u16>> = const { RefCell::new(Vec::new()) };
}

/// Of a window that is as large inside as is asked for.
const STYLE: u32 = WS_OVERLAPPEDWINDOW | WS_VISIBLE;

unsafe extern "system" fn told(window: HWND, message: u32, w: WPARAM, l: LPARAM) -> LRESULT {
    match message {
        WM_KEYDOWN => KEYS.with_borrow_mut(|keys| keys.push(w as u16)),
        WM_CLOSE => EVENTS.with_borrow_mut(|events| events.push(ScreenEvent::Closed)),
        WM_SIZE => {
            let size = [l & 0xffff, l >> 16 & 0xffff].map(|length| length as u32);
            EVENTS.with_borrow_mut(|events| events.push(ScreenEvent::Resized(size)));
        }
        // SAFETY: what Windows hands over is handed on.
        _ => return unsafe { DefWindowProcW(window, message, w, l) },
    }
    0
}

impl Screen {
    /// Opens a window.
    pub fn open(title: &str) -> Result<Self> {
        let name = w!("minuend-host");
        let title: Vec<u16> = title.encode_utf16().chain([0]).collect();
        // SAFETY: all pointers are of what lives longer than the call, or null where Windows allows it.
        let id = unsafe {
            let instance = GetModuleHandleW(ptr::null());
            let class = WNDCLASSW {
                lpfnWndProc: Some(told),
                hInstance: instance,
                hCursor: LoadCursorW(ptr::null_mut(), IDC_ARROW),
                lpszClassName: name,
                ..mem::zeroed()
            };
            // Refused the second time, when it is there already.
            RegisterClassW(&class);
            let (x, y, width, height) = (CW_USEDEFAULT, CW_USEDEFAULT, 640, 480);
            let (parent, menu) = (ptr::null_mut(), ptr::null_mut());
            CreateWindowExW(
                0,
                name,
                title.as_ptr(),
                STYLE,
                x,
                y,
                width,
                height,
                parent,
                menu,
                instance,
                ptr::null(),
            )
        };
        ensure!(!id.is_null(), "Windows opens no window: {}", std::io::Error::last_os_error());
        Ok(Self { id, size: [0, 0] })
    }

    /// Gives the window a size in pixels.
    pub fn resize(&mut self, size: [u32; 2]) -> Result<()> {
        if size != self.size {
            self.size = size;
            let mut outer = RECT { left: 0, top: 0, right: size[0] as i32, bottom: size[1] as i32 };
            // SAFETY: the window is ours and open.
            unsafe {
                AdjustWindowRectEx(&mut outer, STYLE, 0, 0);
                let (width, height) = (outer.right - outer.left, outer.bottom - outer.top);
                SetWindowPos(self.id, ptr::null_mut(), 0, 0, width, height, SWP_NOMOVE | SWP_NOZORDER);
            }
        }
        Ok(())
    }

    /// Has Windows serve this thread's windows, and tells what has happened to this one since the last call.
    pub fn events(&mut self) -> Result<Vec<ScreenEvent>> {
        // SAFETY: the message is filled in before it is handed on.
        unsafe {
            let mut message: MSG = mem::zeroed();
            while PeekMessageW(&mut message, ptr::null_mut(), 0, 0, PM_REMOVE) != 0 {
                TranslateMessage(&message);
                DispatchMessageW(&message);
            }
        }
        let mut events = EVENTS.take();
        events.retain(|event| match event {
            ScreenEvent::Resized(size) => mem::replace(&mut self.size, *size) != *size,
            ScreenEvent::Closed => true,
        });
        Ok(events)
    }

    /// The keys that were pressed for this window since the last call, by Windows' numbers.
    pub fn take_keys(&self) -> Vec<u16> {
        KEYS.take()
    }

    /// Takes the mouse off the window, so that no tooltip stands in the picture.
    pub fn move_mouse_away(&self) -> Result<()> {
        let mut corner = POINT { x: self.size[0] as i32 + 16, y: self.size[1] as i32 + 16 };
        // SAFETY: the window is ours and open.
        unsafe {
            ClientToScreen(self.id, &mut corner);
            SetCursorPos(corner.x, corner.y);
        }
        Ok(())
    }

    /// What is to be seen, three bytes a pixel: red, green, blue, row by row.
    fn pixels(&self) -> Result<Vec<u8>> {
        let [width, height] = self.size.map(|length| length as i32);
        let mut pixels = vec![0u8; 4 * self.size.iter().product::<u32>() as usize];
        // SAFETY: there is room for as many pixels as are asked for, and what is made is given back.
        let num_rows = unsafe {
            let shown = GetDC(self.id);
            let (memory, bitmap) = (CreateCompatibleDC(shown), CreateCompatibleBitmap(shown, width, height));
            let before = SelectObject(memory, bitmap);
            BitBlt(memory, 0, 0, width, height, shown, 0, 0, SRCCOPY | CAPTUREBLT);
            SelectObject(memory, before);
            let mut info: BITMAPINFO = mem::zeroed();
            info.bmiHeader.biSize = mem::size_of_val(&info.bmiHeader) as u32;
            info.bmiHeader.biWidth = width;
            // Downwards.
            info.bmiHeader.biHeight = -height;
            info.bmiHeader.biPlanes = 1;
            info.bmiHeader.biBitCount = 32;
            info.bmiHeader.biCompression = BI_RGB;
            let room = pixels.as_mut_ptr().cast();
            let num_rows = GetDIBits(memory, bitmap, 0, height as u32, room, &mut info, DIB_RGB_COLORS);
            DeleteObject(bitmap);
            DeleteDC(memory);
            ReleaseDC(self.id, shown);
            num_rows
        };
        ensure!(num_rows == height, "Windows hands out {num_rows} of {height} rows of the window");
        Ok(pixels.chunks_exact(4).flat_map(|pixel| [pixel[2], pixel[1], pixel[0]]).collect())
    }

    /// Writes what is to be seen as a PNG.
    pub fn picture(&self, file: &Path) -> Result<()> {
        write_png(file, self.size, &self.pixels()?)
    }
}

impl Drop for Screen {
    fn drop(&mut self) {
        // SAFETY: the window is ours, and not used any more.
        unsafe { DestroyWindow(self.id) };
    }
}
