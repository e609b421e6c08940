//! Opus packets (RFC 6716) to samples.

use std::ptr::{self, NonNull};

use symphonia::core::{
    audio::{AsGenericAudioBufferRef, AudioBuffer, AudioMut, AudioSpec, Channels, GenericAudioBufferRef},
    codecs::{
        CodecInfo,
        audio::{
            AudioCodecParameters, AudioDecoder, AudioDecoderOptions, FinalizeResult,
            well_known::CODEC_ID_OPUS,
        },
        registry::{RegisterableAudioDecoder, SupportedAudioCodec},
    },
    errors::{Result, decode_error, unsupported_error},
    packet::PacketRef,
};
use unsafe_libopus::{
    OPUS_RESET_STATE, OPUS_SET_GAIN_REQUEST, OpusDecoder as State, opus_decode_float, opus_decoder_create,
    opus_decoder_ctl, opus_decoder_destroy,
};

/// Opus always decodes at this rate, Hz.
const RATE_HZ: u32 = 48_000;
/// The longest packet, 120 ms.
const MAX_PACKET_SAMPLES: usize = RATE_HZ as usize * 120 / 1000;

/// The reference decoder, as one of symphonia's.
pub struct OpusDecoder {
    state: Owned,
    parameters: AudioCodecParameters,
    decoded: AudioBuffer<f32>,
    interleaved: Vec<f32>,
    num_channels: usize,
}

/// The library's decoder, given back when dropped.
struct Owned(NonNull<State>);

// SAFETY: the decoder is memory of its own and bound to no thread.
unsafe impl Send for Owned {}
// SAFETY: a shared reference gives no access to it.
unsafe impl Sync for Owned {}

impl Drop for Owned {
    fn drop(&mut self) {
        // SAFETY: it came from `opus_decoder_create`, and this is its last use.
        unsafe { opus_decoder_destroy(self.0.as_ptr()) }
    }
}

impl AudioDecoder for OpusDecoder {
    fn codec_info(&self) -> &CodecInfo {
        &Self::supported_codecs()[0].info
    }

    fn codec_params(&self) -> &AudioCodecParameters {
        &self.parameters
    }

    fn reset(&mut self) {
        // SAFETY: the state is alive; this request takes no argument.
        unsafe { opus_decoder_ctl!(self.state.0.as_ptr(), OPUS_RESET_STATE) };
    }

    fn decode_ref(&mut self, packet: &PacketRef<'_>) -> Result<GenericAudioBufferRef<'_>> {
        self.decoded.clear();
        let Ok(length) = i32::try_from(packet.data.len()) else {
            return decode_error("opus: packet too long");
        };
        // An empty packet would ask for what a lost one may have held.
        if length == 0 {
            return decode_error("opus: empty packet");
        }
        // SAFETY: the state is alive, the packet has `length` bytes, and the buffer has room for the longest packet.
        let count = unsafe {
            opus_decode_float(
                self.state.0.as_ptr(),
                packet.data.as_ptr(),
                length,
                self.interleaved.as_mut_ptr(),
                MAX_PACKET_SAMPLES as i32,
                0,
            )
        };
        let Ok(count) = usize::try_from(count) else { return decode_error("opus: damaged packet") };
        self.decoded.render_uninit(Some(count));
        self.decoded.copy_from_slice_interleaved(&&self.interleaved[..count * self.num_channels]);
        self.decoded.trim(packet.trim_start.get() as usize, packet.trim_end.get() as usize);
        Ok(self.decoded.as_generic_audio_buffer_ref())
    }

    fn finalize(&mut self) -> FinalizeResult {
        FinalizeResult::default()
    }

    fn last_decoded(&self) -> GenericAudioBufferRef<'_> {
        self.decoded.as_generic_audio_buffer_ref()
    }
}

/// The gain with which a stream is to be played, in 256ths of a dB: in the identification header (RFC 7845, 5.1) after
/// eight bytes of magic, version, channels, pre-skip and rate. MPEG-4 files have the same header, of version 0 and with the
/// high bytes first ("Encapsulation of Opus in ISO Base Media File Format", opus-codec.org, 4.3.2).
fn output_gain(header: &[u8]) -> i16 {
    match header {
        [_, _, _, _, _, _, _, _, version, _, _, _, _, _, _, _, a, b, ..] => {
            if *version == 0 {
                i16::from_be_bytes([*a, *b])
            } else {
                i16::from_le_bytes([*a, *b])
            }
        }
        _ => 0,
    }
}

impl RegisterableAudioDecoder for OpusDecoder {
    fn try_registry_new(
        parameters: &AudioCodecParameters,
        _: &AudioDecoderOptions,
    ) -> Result<Box<dyn AudioDecoder>> {
        let channels = parameters.channels.clone().unwrap_or(Channels::None);
        let num_channels = channels.count();
        if !(1..=2).contains(&num_channels) {
            return unsupported_error("opus: neither mono nor stereo");
        }
        // SAFETY: the error code may be left out.
        let state = unsafe { opus_decoder_create(RATE_HZ as i32, num_channels as i32, ptr::null_mut()) };
        let Some(state) = NonNull::new(state) else { return unsupported_error("opus: no decoder") };
        let state = Owned(state);
        let gain = parameters.extra_data.as_deref().map_or(0, output_gain);
        // SAFETY: the state is alive; this request takes a number of 32 bits.
        unsafe { opus_decoder_ctl!(state.0.as_ptr(), OPUS_SET_GAIN_REQUEST, i32::from(gain)) };
        Ok(Box::new(Self {
            state,
            parameters: parameters.clone(),
            decoded: AudioBuffer::new(AudioSpec::new(RATE_HZ, channels), MAX_PACKET_SAMPLES),
            interleaved: vec![0.0; MAX_PACKET_SAMPLES * num_channels],
            num_channels,
        }))
    }

    fn supported_codecs() -> &'static [SupportedAudioCodec] {
        &[SupportedAudioCodec {
            id: CODEC_ID_OPUS,
            info: CodecInfo { short_name: "opus", long_name: "Opus", profiles: &[] },
        }]
    }
}
