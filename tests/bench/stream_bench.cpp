// What the host pays per page byte between the link and the page sink: framing, checksum, address. The goal is ten
// times high-speed bulk on one core; the plain CRC-32C of the same bytes stands beside it as the floor.
#include <benchmark/benchmark.h>

#include <algorithm>

#include "protocol/frame.h"
#include "protocol/messages.h"

namespace {

using namespace steadycell;

constexpr std::size_t kChunk = 256 << 10;  // as BoardClient reads
constexpr std::size_t kStream = 16 << 20;

Bytes page_stream(std::size_t page_bytes) {
  Bytes stream;
  Bytes payload(20 + page_bytes, std::uint8_t{0xA5});
  store_u32(MutableByteSpan(payload).subspan(16), static_cast<std::uint32_t>(page_bytes));
  for (std::uint32_t sequence = 0; stream.size() < kStream; ++sequence) {
    store_u32(MutableByteSpan(payload).subspan(8), sequence);
    const std::size_t at = stream.size();
    stream.resize(at + SCP_HEADER_BYTES + payload.size() + SCP_TRAILER_BYTES);
    const scp_header header{
        SCP_VERSION, SCP_CHANNEL_PAGE, SCP_PAGE_DATA, sequence, 1, static_cast<std::uint32_t>(payload.size())};
    scp_put_header(stream.data() + at, &header);
    std::copy(payload.begin(), payload.end(), stream.begin() + static_cast<std::ptrdiff_t>(at + SCP_HEADER_BYTES));
    scp_put_trailer(stream.data() + at + SCP_HEADER_BYTES + payload.size(), payload.data(), payload.size());
  }
  return stream;
}

void frames_to_pages(benchmark::State& state) {
  const Bytes stream = page_stream(static_cast<std::size_t>(state.range(0)));
  for (auto _ : state) {
    protocol::FrameReader reader;
    std::uint64_t sum = 0;
    for (ByteSpan rest = stream; !rest.empty();) {
      ByteSpan chunk = rest.first(std::min(kChunk, rest.size()));
      rest = rest.subspan(chunk.size());
      while (const auto frame = reader.next(chunk)) {
        const auto page = protocol::decode_page_data(frame->payload);
        sum += page->row + page->bytes.size();
      }
    }
    benchmark::DoNotOptimize(sum);
  }
  state.SetBytesProcessed(state.iterations() * static_cast<std::int64_t>(stream.size()));
}
BENCHMARK(frames_to_pages)->Arg(528)->Arg(2112)->Arg(17664)->Unit(benchmark::kMillisecond);

void checksum_only(benchmark::State& state) {
  const Bytes stream = page_stream(2112);
  for (auto _ : state) benchmark::DoNotOptimize(scp_crc32c(0, stream.data(), stream.size()));
  state.SetBytesProcessed(state.iterations() * static_cast<std::int64_t>(stream.size()));
}
BENCHMARK(checksum_only)->Unit(benchmark::kMillisecond);

}  // namespace
