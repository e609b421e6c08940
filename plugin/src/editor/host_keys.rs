//! Keys that the window has no use for, handed to the host. Windows only.
//!
//! Windows sends every key to the window that was clicked last, and the window library (baseview 0.4.2) takes all that come to
//! its own, whether the window wants them or not; the host's transport would no longer heed the space bar. So such messages get
//! the host's window around ours as their receiver, before the library looks at them. On other systems the library hands them on.

use std::cell::RefCell;
use std::ptr;

use egui::Context;
use raw_window_handle::{HasWindowHandle, RawWindowHandle};
use windows_sys::Win32::Foundation::{HWND, LPARAM, LRESULT, WPARAM};
use windows_sys::Win32::System::Threading::GetCurrentThreadId;
use windows_sys::Win32::UI::Input::KeyboardAndMouse::VK_TAB;
use windows_sys::Win32::UI::WindowsAndMessaging::{
    CallNextHookEx, GetParent, HC_ACTION, HHOOK, IsWindow, MSG, PM_REMOVE, SetWindowsHookExW,
    UnhookWindowsHookEx, WH_GETMESSAGE, WM_CHAR, WM_KEYDOWN, WM_KEYUP, WM_SYSCHAR, WM_SYSKEYDOWN,
    WM_SYSKEYUP,
};

/// A window that is open on this thread.
struct Open {
    window: HWND,
    egui: Context,
    /// Keys that are down and went to the window: it is told of their release, too.
    down: Vec<WPARAM>,
}

thread_local! {
    static WINDOWS: RefCell<Vec<Open>> = const { RefCell::new(Vec::new()) };
    /// Asked by Windows about every message of this thread while a window is open on it.
    static HOOK: RefCell<Option<HHOOK>> = const { RefCell::new(None) };
}

/// Looks after a window's keys from now on. On the window's thread, once the library has its own hook there: Windows asks the one
/// that was set last first.
pub fn attach(window: &impl HasWindowHandle, egui: &Context) {
    let Ok(RawWindowHandle::Win32(handle)) = window.window_handle().map(|handle| handle.as_raw()) else {
        return;
    };
    let window = handle.hwnd.get() as HWND;
    WINDOWS.with_borrow_mut(|windows| windows.push(Open { window, egui: egui.clone(), down: Vec::new() }));
    HOOK.with_borrow_mut(|hook| {
        // SAFETY: the function has the type that Windows asks for, and is there until `detach_closed` takes it back.
        hook.get_or_insert_with(|| unsafe {
            SetWindowsHookExW(WH_GETMESSAGE, Some(on_message), ptr::null_mut(), GetCurrentThreadId())
        });
    });
}

/// Forgets the windows of this thread that are closed; with the last one the hook goes, too, since the host may unload the plug-in.
pub fn detach_closed() {
    let is_last = WINDOWS.with_borrow_mut(|windows| {
        // SAFETY: Windows takes any handle here.
        windows.retain(|open| unsafe { IsWindow(open.window) } != 0);
        windows.is_empty()
    });
    if let Some(hook) = HOOK.with_borrow_mut(|hook| hook.take_if(|_| is_last)) {
        // SAFETY: it is ours, and was not taken back before.
        unsafe { UnhookWindowsHookEx(hook) };
    }
}

impl Open {
    /// Whether a message about a key is for the window: a control has the keyboard, or Tab asks for it.
    fn wants(&mut self, message: &MSG) -> bool {
        let key = message.wParam;
        let is_wanted = self.egui.egui_wants_keyboard_input() || key == usize::from(VK_TAB);
        match message.message {
            WM_KEYDOWN | WM_SYSKEYDOWN if is_wanted => self.down.push(key),
            WM_KEYUP | WM_SYSKEYUP => {
                let num_down = self.down.len();
                self.down.retain(|&down| down != key);
                return self.down.len() < num_down;
            }
            _ => (),
        }
        is_wanted
    }
}

unsafe extern "system" fn on_message(code: i32, removed: WPARAM, message: LPARAM) -> LRESULT {
    if code == HC_ACTION as i32 && removed == PM_REMOVE as usize {
        // SAFETY: with this code Windows hands over a message that may be changed ("GetMsgProc" in Microsoft's documentation).
        let message = unsafe { &mut *(message as *mut MSG) };
        let is_key = matches!(
            message.message,
            WM_KEYDOWN | WM_SYSKEYDOWN | WM_KEYUP | WM_SYSKEYUP | WM_CHAR | WM_SYSCHAR
        );
        let is_unwanted = is_key
            && WINDOWS.with_borrow_mut(|windows| {
                let open = windows.iter_mut().find(|open| open.window == message.hwnd);
                open.is_some_and(|open| !open.wants(message))
            });
        // SAFETY: Windows takes any handle here, and gives null where there is no window around.
        let around = if is_unwanted { unsafe { GetParent(message.hwnd) } } else { ptr::null_mut() };
        if !around.is_null() {
            message.hwnd = around;
        }
    }
    // SAFETY: what Windows hands over is handed on.
    unsafe { CallNextHookEx(ptr::null_mut(), code, removed, message) }
}
