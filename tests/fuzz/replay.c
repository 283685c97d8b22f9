/* SPDX-License-Identifier: MIT */
/* Runs a fuzz target over the files named, without libFuzzer: regressions, and coverage. */
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

/* libFuzzer's own, which a target's mutator calls; nothing is mutated here. */
size_t LLVMFuzzerMutate(uint8_t *data, size_t size, size_t most);
size_t LLVMFuzzerMutate(uint8_t *data, size_t size, size_t most)
{
    (void)data;
    return size < most ? size : most;
}

int main(int count, char **names)
{
    for (int i = 1; i < count; i++) {
        static uint8_t content[1 << 16];
        size_t size;
        uint8_t *data;
        FILE *file = fopen(names[i], "rb");
        if (file == NULL) {
            fprintf(stderr, "cannot read %s\n", names[i]);
            return 2;
        }
        size = fread(content, 1, sizeof content, file);
        fclose(file);
        data = malloc(size + 1); /* by itself, so that a byte beyond is seen */
        if (data == NULL) {
            return 2;
        }
        for (size_t at = 0; at < size; at++) {
            data[at] = content[at];
        }
        fprintf(stderr, "%s\n", names[i]);
        (void)LLVMFuzzerTestOneInput(data, size);
        free(data);
    }
    return 0;
}
